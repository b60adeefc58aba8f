"""Inputs of the rules that choose the grid or need it, which may have to be chosen first."""

import re
from collections.abc import Mapping
from typing import Any

from platefiles.plan.grid_jobs import grid_job
from platefiles.plan.project_plan import ProjectPlan
from platefiles.rule_inputs.flags import ancient
from platefiles.rule_inputs.making import Making
from platefiles.rule_inputs.project_wildcards import plan_of


class GridInputs:
    """The grids of the projects of a run.

    Parameters
    ----------
    plans : mapping of str to ProjectPlan
    making : Making

    Attributes
    ----------
    unpinned : list of str
        Projects whose grid, or the reference of one of whose channels, was yet to be chosen when
        the run began.
    """

    def __init__(self, plans: Mapping[str, ProjectPlan], making: Making):
        self._plans, self._making = plans, making
        self.unpinned = [name for name, plan in plans.items() if not plan.are_pinned(plan.channels)]
        self._choice: Any = None

    def wait_for(self, checkpoint: Any) -> None:
        """Tell which checkpoint chooses the grids that are not pinned yet."""
        self._choice = checkpoint

    @property
    def unpinned_locks(self) -> str:
        """Regular expression of what the rule that chooses the grid may write, less its ending."""
        return "|".join(re.escape(_lock_stem(self._plans[name])) for name in self.unpinned)

    def newer(self, wildcards) -> list[str]:
        """A newer file: as long as there is something to choose, what is there is out of date."""
        return [self._making.newer()]

    def candidates(self, wildcards) -> list[str]:
        """Measures from which the grid is chosen."""
        plan = self._plan_of_lock(wildcards.lock)
        return [plan.paths.measures(c, night) for c in plan.channels for night in plan.nights(c)]

    def job(self, wildcards) -> str:
        """Job of choosing the grid."""
        return grid_job(self._plan_of_lock(wildcards.lock))

    def frame(self, wildcards) -> list[str]:
        """Link of the sub that is the grid."""
        plan = self._chosen(wildcards)
        lock = plan.pinned
        return [] if lock is None else self._making.links(plan, [plan.by_id[lock.reference]])

    def measures(self, wildcards) -> list[str]:
        """Measures that hold the sub that is the grid, for its place on the sky."""
        plan = self._chosen(wildcards)
        path, taker = plan.reference_measures() or "", plan.paths.solution
        if taker not in self._making.to_make and path in self._making.to_make:
            return []  # what becomes of the other subs of that night is nothing to it
        return self._making.made(taker, [path])

    def lock(self, wildcards) -> str:
        """File that pins the grid, for what depends on the grid alone."""
        plan = self._chosen(wildcards)
        return plan.paths.lock if plan.pinned is None else ancient(plan.paths.lock)

    def measures_for_channel(self, wildcards) -> list[str]:
        """Measures that hold the sub that is the grid, for the registration of a channel."""
        plan, channel = plan_of(self._plans, wildcards), wildcards.channel
        if not plan.is_pinned(channel):
            self._wait(plan)
        taker, path = plan.paths.registration(channel), plan.reference_measures() or ""
        making = self._making
        product = making.products.get(taker)
        others = product is not None and path in product.consulted
        if others and taker not in making.to_make and path in making.to_make:
            return []  # what becomes of the other subs of that night is nothing to this channel
        return making.made(taker, [path])

    def lock_for_channel(self, wildcards) -> str:
        """File that pins the grid and the photometric reference of a channel."""
        plan = plan_of(self._plans, wildcards)
        path = plan.paths.lock
        return ancient(path) if plan.is_pinned(wildcards.channel) else path

    def _chosen(self, wildcards) -> ProjectPlan:
        """Return a plan whose grid is chosen."""
        plan = plan_of(self._plans, wildcards)
        if plan.pinned is None:
            self._wait(plan)
        return plan

    def _wait(self, plan: ProjectPlan) -> None:
        if self._choice is not None:
            self._choice.get(lock=_lock_stem(plan))  # Snakemake asks again when it is chosen

    def _plan_of_lock(self, stem: str) -> ProjectPlan:
        return next(plan for plan in self._plans.values() if _lock_stem(plan) == stem)


def _lock_stem(plan: ProjectPlan) -> str:
    """Path of a lock file without its ending."""
    return plan.paths.lock.removesuffix(".lock.yaml")
