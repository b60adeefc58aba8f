"""The declarations of inputs and jobs in rules."""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from platefiles.frames.frame import Frame
from platefiles.plan.project_plan import ProjectPlan
from platefiles.rule_inputs.declared import (
    Answers,
    Files,
    FrameLinks,
    GridLock,
    Job,
    Newer,
    OfPlan,
    ProductInput,
    ReferenceMeasures,
    UserFile,
    is_chosen,
    is_crop_chosen,
)
from platefiles.rule_inputs.project_wildcards import filled
from platefiles.rule_inputs.sets import all_channels, grid_frame


@dataclass(frozen=True)
class _OfChannels:
    """A product of each of several channels."""

    pattern: str
    among: Callable[[ProjectPlan, Any], list[str]]

    @property
    def key(self) -> str:
        """Name of the set."""
        return f"{self.pattern} among {self.among.__qualname__}"

    def __call__(self, plan: ProjectPlan, wildcards: Any) -> list[str]:
        """Return the paths."""
        names = self.among(plan, wildcards)
        return [filled(self.pattern, plan, wildcards, channel=name) for name in names]


@dataclass(frozen=True)
class _OfNights:
    """A product of each of several nights of the job's channels."""

    pattern: str
    among: Callable[[ProjectPlan, str], list[str]]

    @property
    def key(self) -> str:
        """Name of the set."""
        return f"{self.pattern} among {self.among.__qualname__}"

    def __call__(self, plan: ProjectPlan, wildcards: Any) -> list[str]:
        """Return the paths."""
        named = dict(wildcards.items())
        return [
            filled(self.pattern, plan, wildcards, channel=channel, night=night)
            for channel in ([named["channel"]] if "channel" in named else plan.channels)
            for night in ([named["night"]] if "night" in named else self.among(plan, channel))
        ]


class Declarations:
    """Functions for the declarations in rules: `plans` in the Snakefile.

    Parameters
    ----------
    run : Answers, optional
        The present run; without it, declarations are only parsed.
    """

    def __init__(self, run: Answers | None = None):
        self._run = run
        self.grid_frame = FrameLinks(grid_frame, True, run)
        self.lock = GridLock(run, is_chosen)
        self.crop = GridLock(run, is_crop_chosen)

    def input(self, what: str | OfPlan, of: str = "") -> ProductInput:
        """Declare a product as input.

        Parameters
        ----------
        what : str or callable
            Path of a product with wildcards, or a function of a plan and a job's wildcards that
            returns a path or a list of them (see `platefiles.rule_inputs.sets`).
        of : str
            Path of the consuming product with wildcards. Empty for products made only on request:
            then stale inputs are remade.
        """
        return ProductInput(what, of, self._run)

    def for_channels(
        self,
        pattern: str,
        of: str,
        among: Callable[[ProjectPlan, Any], list[str]] = all_channels,
    ) -> ProductInput:
        """Declare a product of each of several channels as inputs.

        Parameters
        ----------
        pattern : str
            Path of the product with wildcards; its ``{channel}`` goes through the channels.
        of : str
            Path, with wildcards, of the product that reads them.
        among : callable
            The channels, as a function of a plan and a job's wildcards; all by default.
        """
        return ProductInput(_OfChannels(pattern, among), of, self._run)

    def for_nights(
        self,
        pattern: str,
        of: str,
        among: Callable[[ProjectPlan, str], list[str]] = ProjectPlan.nights,
    ) -> ProductInput:
        """Declare a product of each night of the job's channels as inputs.

        Parameters
        ----------
        pattern : str
            Path of the product with wildcards. Its ``{channel}`` and ``{night}`` are those that the
            job's wildcards name, and go through all where they name none.
        of : str
            Path, with wildcards, of the product that reads them.
        among : callable
            The nights, as a function of a plan and a channel; all by default.
        """
        return ProductInput(_OfNights(pattern, among), of, self._run)

    def links(self, frames: Callable[[ProjectPlan, Any], list[Frame]], of: str = "") -> FrameLinks:
        """Declare raw frames as inputs, through their links.

        Parameters
        ----------
        frames : callable
            The frames, as a function of a plan and a job's wildcards.
        of : str
            Path, with wildcards, of the product that reads them; as for `input`.
        """
        return FrameLinks(frames, False, self._run, of)

    def grid_measures(self, of: str) -> ReferenceMeasures:
        """Declare the measures with the reference sub of the grid as input of a product."""
        return ReferenceMeasures(of, self._run, of_channel=False)

    def reference_measures(self, of: str) -> ReferenceMeasures:
        """Declare the measures with the references of grid and channel as input of a product."""
        return ReferenceMeasures(of, self._run, of_channel=True)

    def newer(self, path: str) -> Newer:
        """Declare an input that is newer than a product while the product is stale."""
        return Newer(path, self._run)

    def user_file(self, path: Callable[[ProjectPlan, Any], str | None]) -> UserFile:
        """Declare the user's file as input."""
        return UserFile(path, self._run)

    def job(self, function: Callable[..., str], *names: str) -> Job:
        """Declare the job of a rule.

        Parameters
        ----------
        function : callable
            Function of a plan and of values of wildcards, in `platefiles.plan`.
        *names : str
            These wildcards.
        """
        return Job(function, names, self._run)

    def files(self, what: str | OfPlan) -> Files:
        """Declare target files of all projects for a stage; ``{channel}`` becomes all channels."""
        return Files(what, self._run)
