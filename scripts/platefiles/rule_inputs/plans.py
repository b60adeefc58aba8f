"""Between Snakemake and the plans of the projects: input and params functions of rules."""

import os
from collections.abc import Callable, Iterator, Mapping
from typing import Any

from platefiles.digests.project_digests import write_all_digests
from platefiles.frames.frame import Frame
from platefiles.jobs.run_lock import RESULTS
from platefiles.plan.project_plan import ProjectPlan
from platefiles.rule_inputs.flags import ancient
from platefiles.rule_inputs.grid_inputs import GridInputs
from platefiles.rule_inputs.making import Making
from platefiles.rule_inputs.memory import Memory
from platefiles.rule_inputs.project_wildcards import any_of, filled, plan_of
from platefiles.rule_inputs.sets import all_channels
from platefiles.workflow.graph import targets_of
from platefiles.workflow.noted_plan import note_products
from platefiles.workflow.rerun_trigger import date_back, newer_file
from platefiles.workflow.shared_masters import shared_masters, shared_stem

Inputs = str | list[str]


class Plans:
    """The plans of all projects of a run, and what rules ask of them.

    Parameters
    ----------
    plans : mapping of str to ProjectPlan
    dry_run : bool
        Nothing is written.
    main_process : bool
        False in a job on another machine.

    Attributes
    ----------
    grid : GridInputs
        For the rules that choose the grid, or need it.
    memory : Memory
        For the rules whose memory depends on the frames.
    shared : dict of str to str
        Path of the same master in another project, by the path of the one that is wanted.
    """

    def __init__(
        self, plans: Mapping[str, ProjectPlan], dry_run: bool = False, main_process: bool = True
    ):
        self.by_name = dict(plans)
        self._writes = main_process and not dry_run
        self._making = making = Making(self, dry_run)
        self.grid, self.memory = GridInputs(self.by_name, making), Memory(self.by_name)
        if self._writes:
            for plan in self:
                note_products(plan.results, making.by_project[plan.loaded.name])
        self.shared = shared_masters(RESULTS, making.products, making.to_make)
        if self._writes:
            if making.stale or self.grid.unpinned:
                newer_file(RESULTS, touch=True)
            date_back(making.products)
            date_back(plan.paths.lock for plan in self)
            date_back(plan.paths.link(frame) for plan in self for frame in plan.frames)

    def __iter__(self) -> Iterator[ProjectPlan]:
        """Go through the plans in the order of the projects."""
        return iter(self.by_name.values())

    def write_digests(self) -> None:
        """Write the sheets of digests at the end of a run; a full disk holds up nothing."""
        if self._writes:
            made = self._making.by_project
            write_all_digests((plan, made[plan.loaded.name]) for plan in self)

    @property
    def names(self) -> str:
        """Regular expression of the names of the projects."""
        return any_of(self.by_name)

    @property
    def channels(self) -> str:
        """Regular expression of the names of the channels."""
        return any_of(name for plan in self for name in plan.channels)

    @property
    def nights(self) -> str:
        """Regular expression of the nights on which there are lights."""
        return any_of(night for plan in self for c in plan.channels for night in plan.nights(c))

    @property
    def pictures(self) -> str:
        """Regular expression of the names of the pictures."""
        return any_of(name for plan in self for name in plan.loaded.pictures)

    @property
    def shared_files(self) -> str:
        """Regular expression of the masters from other projects, less folder and ending."""
        return any_of(shared_stem(RESULTS, path) for path in self.shared)

    def twin(self, wildcards) -> str:
        """The same master in another project."""
        return self._making.aged(self.shared[filled(f"{RESULTS}/{{shared}}.fits", wildcards)])

    def shared_job(self, wildcards) -> str:
        """Job of a master that is taken from another project."""
        return self._making.products[filled(f"{RESULTS}/{{shared}}.fits", wildcards)].job

    def newer(self, pattern: str) -> Callable[[Any], list[str]]:
        """Return the input function of a rule that makes its stale products again.

        Snakemake makes a product again that is older than an input. So a product that was made by
        another job than the plan has gets an input that is newer, whatever the clock says.

        Parameters
        ----------
        pattern : str
            Path of the product with wildcards.
        """

        def files(wildcards) -> list[str]:
            stale = filled(pattern, wildcards) in self._making.stale
            return [self._making.newer()] if stale else []

        return files

    def input(
        self, what: str | Callable[[ProjectPlan, Any], Inputs], of: str = ""
    ) -> Callable[[Any], Inputs]:
        """Return the input function of a rule that reads products of others.

        Parameters
        ----------
        what : str or callable
            Path of a product with wildcards, or a function of a plan and a job's wildcards that
            returns a path or a list of them (see `platefiles.rule_inputs.sets`).
        of : str
            Path with wildcards of what is made from it. Empty for what is made on request alone:
            then its inputs are made if they are not as they should be.
        """

        def files(wildcards) -> Inputs:
            plan = plan_of(self.by_name, wildcards)
            found = filled(what, wildcards) if isinstance(what, str) else what(plan, wildcards)
            paths = [found] if isinstance(found, str) else found
            if of:
                paths = self._making.made(filled(of, wildcards), paths)
            else:
                paths = [self._making.aged(path) for path in paths]
            # Snakemake takes a list of one path for a list.
            return paths[0] if isinstance(found, str) and paths else paths

        return files

    def for_channels(
        self,
        pattern: str,
        of: str,
        among: Callable[[ProjectPlan, Any], list[str]] = all_channels,
    ) -> Callable[[Any], Inputs]:
        """Return the input function of a rule that reads a product of each of several channels.

        Parameters
        ----------
        pattern : str
            Path of the product with wildcards; its ``{channel}`` goes through the channels.
        of : str
            Path with wildcards of what is made from them.
        among : callable
            The channels, as a function of a plan and a job's wildcards; all by default.
        """

        def products(plan: ProjectPlan, wildcards) -> list[str]:
            names = among(plan, wildcards)
            return [filled(pattern, wildcards, channel=name) for name in names]

        return self.input(products, of)

    def for_nights(self, pattern: str, of: str) -> Callable[[Any], Inputs]:
        """Return the input function of a rule that reads a product of each night of its channels.

        Parameters
        ----------
        pattern : str
            Path of the product with wildcards. Its ``{channel}`` and ``{night}`` are those that the
            job's wildcards name, and go through all where they name none.
        of : str
            Path with wildcards of what is made from them.
        """

        def products(plan: ProjectPlan, wildcards) -> list[str]:
            named = dict(wildcards.items())
            return [
                filled(pattern, wildcards, channel=channel, night=night)
                for channel in ([named["channel"]] if "channel" in named else plan.channels)
                for night in ([named["night"]] if "night" in named else plan.nights(channel))
            ]

        return self.input(products, of)

    def links(self, frames: Callable[[ProjectPlan, Any], list[Frame]]) -> Callable[[Any], Inputs]:
        """Return the input function of a rule that reads raw frames through their links."""

        def files(wildcards) -> Inputs:
            plan = plan_of(self.by_name, wildcards)
            return self._making.links(plan, frames(plan, wildcards))

        return files

    def job(self, function: Callable[..., str], *names: str) -> Callable[[Any], str]:
        """Return the params function of a rule's job.

        Parameters
        ----------
        function : callable
            Of a plan and of the values of some wildcards, in `platefiles.plan`.
        *names : str
            These wildcards.
        """

        def job(wildcards) -> str:
            values = (getattr(wildcards, name) for name in names)
            return function(plan_of(self.by_name, wildcards), *values)

        return job

    def star_catalogue(self, wildcards) -> Inputs:
        """Star catalogue of the user's, if there is one."""
        path = plan_of(self.by_name, wildcards).star_path
        return [] if path is None else ancient(path)

    def object_list(self, wildcards) -> Inputs:
        """List of objects of the user's, if there is one."""
        path = plan_of(self.by_name, wildcards).objects_path
        return [] if path is None else ancient(path)

    def overlaid_image(self, wildcards) -> str:
        """Image of the user's that is shown beside the picture."""
        paths = plan_of(self.by_name, wildcards).loaded.overlay_paths
        return ancient(os.fspath(paths[wildcards.image]))

    def targets(self, name: str) -> list[str]:
        """Files of a target rule, of all projects."""
        return [path for plan in self for path in targets_of(plan, name)]
