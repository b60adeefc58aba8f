"""Connect the plans of the projects with the rules of Snakemake."""

import re
from collections.abc import Iterable, Iterator, Mapping
from contextlib import suppress
from inspect import signature
from typing import Any

from platefiles.digests.project_digests import write_all_digests
from platefiles.frames.frame import Frame
from platefiles.jobs.run_lock import RESULTS
from platefiles.plan.project_plan import ProjectPlan
from platefiles.rule_inputs.declarations import Declarations
from platefiles.rule_inputs.declared import Declared, Newer, is_chosen
from platefiles.rule_inputs.project_wildcards import any_of, lock_stem, plan_of
from platefiles.runs.job_plan import JobPlan, memory_key, remove_others
from platefiles.runs.memory import Memory
from platefiles.runs.run_products import RunProducts
from platefiles.workflow.makers import Maker, maker_of
from platefiles.workflow.noted_plan import note_products
from platefiles.workflow.rerun_trigger import date_back, newer_file
from platefiles.workflow.shared_masters import shared_masters, shared_stem


class Plans(Declarations):
    """The plans of all projects of a run, with the functions that rules use.

    Parameters
    ----------
    plans : mapping of str to ProjectPlan
    dry_run : bool
        Nothing is written.
    main_process : bool
        False in a job on another machine.
    every_job : bool
        Whether Snakemake may make products that are up to date.

    Attributes
    ----------
    unpinned : list of str
        Projects whose grid, photometric references or crop were not all chosen when the run began.
    memory : Memory
        For the rules whose memory depends on the frames.
    shared : dict of str to str
        Path of the same master in another project, by the path of the master.
    """

    def __init__(
        self,
        plans: Mapping[str, ProjectPlan],
        dry_run: bool = False,
        main_process: bool = True,
        every_job: bool = False,
    ):
        super().__init__(self)
        self.by_name = dict(plans)
        self._writes = main_process and not dry_run
        self._products = made = RunProducts(self, dry_run, every_job or not main_process)
        self.memory = Memory(self.by_name)
        self.unpinned = [name for name, plan in plans.items() if not _is_pinned(plan)]
        self._choice: Any = None
        self._waiting = set(self.unpinned)
        if self._writes:
            for plan in self:
                note_products(plan.results, made.by_project[plan.loaded.name])
        self.shared = shared_masters(RESULTS, made.products, made.to_make)
        if self._writes:
            if made.stale or self.unpinned:
                newer_file(RESULTS, touch=True)
            date_back(made.products)
            date_back(plan.paths.lock for plan in self)
            date_back(plan.paths.link(frame) for plan in self for frame in plan.frames)
            for plan in self:
                kept = self._write_job_plans(plan, waiting=False)
                remove_others(plan.loaded.name, kept)

    def __iter__(self) -> Iterator[ProjectPlan]:
        """Go through the plans in the order of the projects."""
        return iter(self.by_name.values())

    def write_digests(self) -> None:
        """Write the sheets of digests at the end of a run; a full disk does not stop it."""
        if self._writes:
            made = self._products.by_project
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
    def unpinned_locks(self) -> str:
        """Regular expression of the lock files still to be written, without extension."""
        return "|".join(re.escape(lock_stem(self.by_name[name])) for name in self.unpinned)

    @property
    def shared_files(self) -> str:
        """Regular expression of the masters from other projects, less folder and ending."""
        return any_of(shared_stem(RESULTS, path) for path in self.shared)

    def twin(self, wildcards: Any) -> str:
        """The same master in another project."""
        return self._products.aged(self.shared[f"{RESULTS}/{wildcards.shared}.fits"])

    def shared_job(self, wildcards: Any) -> str:
        """Job of a master copied from another project."""
        return self._products.products[f"{RESULTS}/{wildcards.shared}.fits"].job

    def wait_for(self, checkpoint: Any) -> None:
        """Return the checkpoint that chooses the unpinned grids."""
        self._choice = checkpoint

    def _write_job_plans(self, plan: ProjectPlan, waiting: bool) -> set[str]:
        """Write the plans of jobs to do, of those that wait for the grid or of the others."""
        made = self._products
        found = set()
        for path, product in made.by_project[plan.loaded.name].items():
            is_own = path not in self.shared and product.rule != "choose_reference"
            if path in made.to_make and is_own and product.waits == waiting:
                job = self._job_plan(*maker_of(plan, path))
                with suppress(OSError):  # a job without its file reads the list of frames
                    job.write()
                found.add(job.path)
        return found

    def _job_plan(self, maker: Maker, wildcards: Any) -> JobPlan:
        rule = maker.rule
        answers = {
            one.key: one.of(self, wildcards) for one in maker.declared if not isinstance(one, Newer)
        }
        if rule.memory_method:
            memory, counts = getattr(self.memory, rule.memory_method), range(1, rule.threads + 1)
            with_threads = "threads" in signature(memory).parameters
            answers[memory_key(rule.memory_method)] = [
                memory(wildcards, *([count] if with_threads else [])) for count in counts
            ]
        return JobPlan(rule.name, dict(wildcards.items()), answers)

    # What declarations ask of a run.

    def answer(self, declared: Declared, wildcards: Any) -> Any:
        """Return what a declaration is for a job."""
        return declared.of(self, wildcards)

    def plan_of(self, wildcards: Any) -> ProjectPlan:
        """Return the plan that wildcards name."""
        return plan_of(self.by_name, wildcards)

    def chosen(self, wildcards: Any) -> ProjectPlan:
        """Return that plan, once the grid that wildcards need is chosen."""
        plan = self.plan_of(wildcards)
        if not is_chosen(plan, wildcards) and self._choice is not None:
            self._choice.get(lock=lock_stem(plan))  # Snakemake asks again when it is chosen
        name = plan.loaded.name
        if name in self._waiting and self._writes and plan.are_pinned(plan.channels):
            self._waiting.remove(name)
            self._write_job_plans(plan, waiting=True)
        return plan

    def made(self, consumer: str, paths: list[str]) -> list[str]:
        """Return products as inputs of one that is made, or is left as it is."""
        return self._products.made(consumer, paths)

    def aged(self, path: str) -> str:
        """Return a product as an input that has an age if it is made."""
        return self._products.aged(path)

    def newer_for(self, path: str) -> list[str]:
        """Return a file that is newer than a product, if the product is stale.

        A lock file is stale while any reference is unchosen, or while it is missing.
        """
        choosing = path in (self.by_name[name].paths.lock for name in self.unpinned)
        return [self._products.newer()] if choosing or path in self._products.stale else []

    def links_of(self, plan: ProjectPlan, frames: Iterable[Frame]) -> list[str]:
        """Return the links of raw frames."""
        return self._products.links(plan, frames)

    def keeps(self, consumer: str) -> bool:
        """Return whether a product is up to date and Snakemake needs to know no more about it."""
        return self._products.keeps(consumer)

    def goes_on_without(self, consumer: str, path: str) -> bool:
        """Return whether a product stays as it is though one that it consults is made again."""
        made = self._products
        product = made.products.get(consumer)
        consults = product is not None and path in product.consulted
        return consults and consumer not in made.to_make and path in made.to_make


def _is_pinned(plan: ProjectPlan) -> bool:
    return plan.are_pinned(plan.channels) and plan.has_crop(plan.channels)
