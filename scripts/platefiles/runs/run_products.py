"""What a run makes and what it leaves as it is, told to Snakemake by the ages of inputs."""

import os
from collections.abc import Iterable, Sequence
from functools import cached_property

from platefiles.frames.frame import Frame
from platefiles.jobs.run_lock import RESULTS
from platefiles.plan.project_plan import ProjectPlan
from platefiles.rule_inputs.flags import ancient, local
from platefiles.workflow.graph import Product, products_of, targets_of
from platefiles.workflow.rerun_trigger import newer_file, newer_file_for_a_dry_run
from platefiles.workflow.staleness import Staleness


class RunProducts:
    """Stale products of a run, and products to make.

    Parameters
    ----------
    plans : iterable of ProjectPlan
    dry_run : bool
        Nothing is written, so links of new frames are missing and are not requested.
    every_job : bool
        Whether Snakemake has to see the inputs of products that are kept, as it must to make them
        although they are up to date.

    Attributes
    ----------
    products : dict of str to Product
        Of all projects, by path.
    stale : set of str
        Products whose job differs from the plan.
    to_make : set of str
        Products that a run of everything makes.
    by_project : dict of str to dict
        Products of each project, by path.
    """

    def __init__(self, plans: Iterable[ProjectPlan], dry_run: bool, every_job: bool = False):
        self._dry_run = dry_run
        self._every_job = every_job
        self.products: dict[str, Product] = {}
        self.stale: set[str] = set()
        self.to_make: set[str] = set()
        self.by_project: dict[str, dict[str, Product]] = {}
        for plan in plans:
            staleness = Staleness(products_of(plan))
            self.by_project[plan.loaded.name] = staleness.products
            self.products |= staleness.products
            self.stale |= staleness.stale
            self.to_make |= set(staleness.to_make(targets_of(plan, "all")))

    def made(self, consumer: str, paths: Sequence[str]) -> list[str]:
        """Return products as inputs of another; the age of kept products is ignored.

        So the times of copied files do not matter. A product that is kept needs no input: a deleted
        input is not requested, and Snakemake need not go through what is behind it.
        """
        if self.keeps(consumer):
            return []
        if consumer in self.to_make or not os.path.exists(consumer):
            return [self.aged(path) for path in paths]
        return [ancient(path) for path in paths if os.path.exists(path)]

    def keeps(self, consumer: str) -> bool:
        """Return whether a product is up to date and Snakemake needs to know no more about it."""
        return not self._every_job and consumer in self._kept

    @cached_property
    def _kept(self) -> set[str]:
        # Snakemake reaches a damaged master through the inputs of the products that use it.
        leading: set[str] = set()
        for path, product in self.products.items():  # each comes after its inputs
            if any(one in self.to_make or one in leading for one in product.inputs):
                leading.add(path)
        left = self.products.keys() - self.to_make - self.stale - leading
        return {path for path in left if os.path.exists(path)}

    def aged(self, path: str) -> str:
        """Return a product as an input whose age counts only if it is made."""
        return path if path in self.to_make else ancient(path)

    def newer(self) -> str:
        """Return a file that is newer than any product."""
        if self._dry_run:
            return local(newer_file_for_a_dry_run())
        return local(newer_file(RESULTS, touch=False))

    def links(self, plan: ProjectPlan, frames: Iterable[Frame]) -> list[str]:
        """Return the links of raw frames; in a dry run, only existing links."""
        paths = [plan.paths.link(frame) for frame in frames]
        return [path for path in paths if os.path.lexists(path)] if self._dry_run else paths
