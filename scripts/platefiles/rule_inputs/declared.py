"""Declared inputs and jobs of rules, as functions that Snakemake calls.

Without a run, a declaration tells which products it names for a plan: that is the graph of a
project. With one it is the input function of a rule, and the run tells which of these products have
an age.
"""

import os
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from typing import Any, Protocol

from platefiles.frames.frame import Frame
from platefiles.plan.picture_jobs import cropped_by
from platefiles.plan.project_plan import ProjectPlan
from platefiles.rule_inputs.flags import ancient
from platefiles.rule_inputs.project_wildcards import filled

Inputs = str | list[str]
OfPlan = Callable[[ProjectPlan, Any], Inputs]
"""Paths as a function of a plan and of wildcards."""


class Answers(Protocol):
    """What declarations of a run are for its jobs."""

    def answer(self, declared: "Declared", wildcards: Any) -> Any:
        """Return what a declaration is for a job."""


class Run(Protocol):
    """The outcome of a run for its projects and products."""

    def __iter__(self) -> Iterator[ProjectPlan]:
        """Go through the plans."""

    def plan_of(self, wildcards: Any) -> ProjectPlan:
        """Return the plan that wildcards name."""

    def chosen(self, wildcards: Any) -> ProjectPlan:
        """Return that plan, once the grid that wildcards need is chosen."""

    def made(self, consumer: str, paths: list[str]) -> list[str]:
        """Return products as inputs of a product that is made or kept."""

    def aged(self, path: str) -> str:
        """Return a product as an input whose age counts only if it is made."""

    def newer_for(self, path: str) -> list[str]:
        """Return a file that is newer than a product, if the product is stale."""

    def links_of(self, plan: ProjectPlan, frames: Iterable[Frame]) -> list[str]:
        """Return the links of raw frames."""

    def keeps(self, consumer: str) -> bool:
        """Return whether a product stays as it is, so that its inputs do not matter."""

    def goes_on_without(self, consumer: str, path: str) -> bool:
        """Return whether a product is kept although a consulted product is remade."""


class Declared:
    """A declaration in a rule: a function of the wildcards of a job for Snakemake.

    Attributes
    ----------
    run : Answers, optional
        The present run; without it, a declaration answers nobody.
    """

    run: Answers | None

    @property
    def key(self) -> str:
        """Name that tells it from the other declarations of its rule."""
        raise NotImplementedError

    def __call__(self, wildcards: Any) -> Any:
        """Answer Snakemake."""
        if self.run is None:
            msg = "this declaration belongs to no run"
            raise RuntimeError(msg)
        return self.run.answer(self, wildcards)

    def of(self, run: Run, wildcards: Any) -> Any:
        """Return what it is for a job of a run that has the plans of its projects."""
        raise NotImplementedError


def _name(what: Any) -> str:
    """Return the name of a declared path or function."""
    return what if isinstance(what, str) else getattr(what, "key", "") or what.__qualname__


@dataclass(frozen=True)
class ProductInput(Declared):
    """An input that is a product, or several.

    Attributes
    ----------
    what : str or callable
        Path with wildcards, or paths as a function of a plan and of wildcards.
    consumer : str
        Path, with wildcards, of the product that reads it; empty for products on request alone:
        then its inputs are made if they are not as they should be.
    run : Answers, optional
    """

    what: str | OfPlan
    consumer: str
    run: Answers | None

    consulted = False

    @property
    def key(self) -> str:
        """Name that tells it from the other declarations of its rule."""
        return f"{_name(self.what)} of {self.consumer}"

    @property
    def is_single(self) -> bool:
        """Whether it is one path and not a list."""
        return isinstance(self.what, str) or self.what.__annotations__.get("return") is str

    def products(self, plan: ProjectPlan, wildcards: Any) -> list[str]:
        """Return the paths of the products."""
        what = self.what
        found = filled(what, plan, wildcards) if isinstance(what, str) else what(plan, wildcards)
        return [found] if isinstance(found, str) else found

    def of(self, run: Run, wildcards: Any) -> Inputs:
        """Answer Snakemake."""
        plan = run.plan_of(wildcards)
        paths = self.products(plan, wildcards)
        if self.consumer:
            paths = run.made(filled(self.consumer, plan, wildcards), paths)
        else:
            paths = [run.aged(path) for path in paths]
        # Snakemake takes a list of one path for a list.
        return paths[0] if self.is_single and paths else paths


@dataclass(frozen=True)
class ReferenceMeasures(Declared):
    """Measures with the reference sub of the grid, and that of a channel's brightness.

    Their facts are part of the job. The other subs of their nights do not affect the product.

    Attributes
    ----------
    consumer : str
        Path, with wildcards, of the product that reads them.
    run : Answers, optional
    of_channel : bool
        Whether the channel's photometric reference is among them.
    """

    consumer: str
    run: Answers | None
    of_channel: bool

    consulted = True
    is_single = False

    @property
    def key(self) -> str:
        """Name that tells it from the other declarations of its rule."""
        return f"measures of references of {self.consumer}"

    def products(self, plan: ProjectPlan, wildcards: Any) -> list[str]:
        """Return their paths; none until the references are chosen."""
        return plan.reference_measures(wildcards.channel if self.of_channel else None)

    def of(self, run: Run, wildcards: Any) -> list[str]:
        """Answer Snakemake."""
        plan = run.chosen(wildcards)
        consumer = filled(self.consumer, plan, wildcards)
        paths = self.products(plan, wildcards)
        return run.made(consumer, [p for p in paths if not run.goes_on_without(consumer, p)])


@dataclass(frozen=True)
class GridLock(Declared):
    """The file that pins the grid, the photometric references and the crop.

    Attributes
    ----------
    run : Answers, optional
    is_chosen : callable
        Whether it has what the wildcards of a job need.
    """

    run: Answers | None
    is_chosen: Callable[[ProjectPlan, Any], bool]

    consulted = False
    is_single = True

    @property
    def key(self) -> str:
        """Name that tells it from the other declarations of its rule."""
        return "lock"

    def products(self, plan: ProjectPlan, wildcards: Any) -> list[str]:
        """Return its path while a run has to write it; later it belongs to the user."""
        return [] if self.is_chosen(plan, wildcards) else [plan.paths.lock]

    def of(self, run: Run, wildcards: Any) -> str:
        """Answer Snakemake."""
        plan = run.plan_of(wildcards)
        path = plan.paths.lock
        return ancient(path) if self.is_chosen(plan, wildcards) else path


@dataclass(frozen=True)
class FrameLinks(Declared):
    """Links of raw frames; of the reference sub once it is chosen.

    Attributes
    ----------
    frames : callable
        The frames, as a function of a plan and of wildcards.
    of_grid : bool
        Whether the job has to wait for the choice of the grid.
    run : Answers, optional
    consumer : str
        Path, with wildcards, of the product that reads them; empty for products on request alone.
    """

    frames: Callable[[ProjectPlan, Any], list[Frame]]
    of_grid: bool
    run: Answers | None
    consumer: str = ""

    is_single = False

    @property
    def key(self) -> str:
        """Name that tells it from the other declarations of its rule."""
        return f"links {_name(self.frames)} of {self.consumer}"

    def of(self, run: Run, wildcards: Any) -> list[str]:
        """Answer Snakemake."""
        plan = run.chosen(wildcards) if self.of_grid else run.plan_of(wildcards)
        if self.consumer and run.keeps(filled(self.consumer, plan, wildcards)):
            return []
        return run.links_of(plan, self.frames(plan, wildcards))


@dataclass(frozen=True)
class Newer(Declared):
    """A file that is newer than a stale product.

    Snakemake remakes a product that is older than an input. So a product whose job differs from the
    plan gets an input that is newer, regardless of the clock.
    """

    path: str
    run: Answers | None

    @property
    def key(self) -> str:
        """Name that tells it from the other declarations of its rule."""
        return f"newer {self.path}"

    def of(self, run: Run, wildcards: Any) -> list[str]:
        """Answer Snakemake."""
        return run.newer_for(filled(self.path, run.plan_of(wildcards), wildcards))


@dataclass(frozen=True)
class UserFile(Declared):
    """The user's file, if there is one; its content is part of the job."""

    path: Callable[[ProjectPlan, Any], str | None]
    run: Answers | None

    is_single = True

    @property
    def key(self) -> str:
        """Name that tells it from the other declarations of its rule."""
        return f"file {_name(self.path)}"

    def of(self, run: Run, wildcards: Any) -> Inputs:
        """Answer Snakemake."""
        path = self.path(run.plan_of(wildcards), wildcards)
        return [] if path is None else ancient(os.fspath(path))


@dataclass(frozen=True)
class Job(Declared):
    """The job of a rule: a function of a plan and of the values of some wildcards."""

    function: Callable[..., str]
    names: tuple[str, ...]
    run: Answers | None

    @property
    def key(self) -> str:
        """Name that tells it from the other declarations of its rule."""
        return f"job {_name(self.function)}"

    def text(self, plan: ProjectPlan, wildcards: Any) -> str:
        """Return the job."""
        return self.function(plan, *(getattr(wildcards, name) for name in self.names))

    def of(self, run: Run, wildcards: Any) -> str:
        """Answer Snakemake."""
        return self.text(run.plan_of(wildcards), wildcards)


@dataclass(frozen=True)
class Files(Declared):
    """Files of all projects that are targets of a stage."""

    what: str | OfPlan
    run: Answers | None

    @property
    def key(self) -> str:
        """Name that tells it from the other declarations of its rule."""
        return f"files {_name(self.what)}"

    def products(self, plan: ProjectPlan, wildcards: Any) -> list[str]:
        """Return those of a project."""
        what = self.what
        if not isinstance(what, str):
            found = what(plan, wildcards)
            return [found] if isinstance(found, str) else found
        channels = plan.channels if "{channel}" in what else ("",)
        return [filled(what, plan, wildcards, channel=channel) for channel in channels]

    def of(self, run: Run, wildcards: Any) -> list[str]:
        """Answer Snakemake."""
        return [path for plan in run for path in self.products(plan, wildcards)]


def is_chosen(plan: ProjectPlan, wildcards: Any) -> bool:
    """Return whether the grid and, if named, a channel's photometric reference are chosen."""
    channel = getattr(wildcards, "channel", None)
    return plan.pinned is not None if channel is None else plan.is_pinned(channel)


def is_crop_chosen(plan: ProjectPlan, wildcards: Any) -> bool:
    """Return whether the grid and the crop of a picture are chosen."""
    return plan.pinned is not None and plan.has_crop(cropped_by(plan, wildcards.picture))
