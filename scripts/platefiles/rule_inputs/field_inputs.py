"""Functions of wildcards for the rules that find out what is in the field."""

from collections.abc import Sequence
from typing import Any, Protocol

from platefiles.rule_inputs.flags import ancient
from platefiles.workflow.jobs import ProjectPlan


class _Plans(Protocol):
    """What the functions ask of the plans that they belong to."""

    _choice: Any
    _to_make: set[str]

    def plan(self, wildcards) -> ProjectPlan:
        """Return the plan that wildcards name."""
        ...

    def _made(self, taker: str, paths: Sequence[str]) -> list[str]: ...

    def _aged(self, path: str) -> str: ...

    def _links(self, plan: ProjectPlan, frames) -> list[str]: ...

    def _pinned_plan(self, wildcards) -> ProjectPlan: ...


class FieldInputs:
    """A part of `platefiles.rule_inputs.raw_to_picture.Plans`."""

    def solution(self: _Plans, wildcards) -> str | list[str]:
        """Place of the grid on the sky, for what takes it along."""
        plan = self.plan(wildcards)
        taker = plan.picture_cube(wildcards.picture)
        return single(self._made(taker, [plan.solution_path]))

    def channel_solution(self: _Plans, wildcards) -> str | list[str]:
        """Place of the grid on the sky, for a channel that is integrated."""
        plan = self.plan(wildcards)
        return single(self._made(plan.channel_path(wildcards.channel), [plan.solution_path]))

    def sub_solution(self: _Plans, wildcards) -> str:
        """Place of the grid on the sky, for a sub that is stored."""
        return self._aged(self.plan(wildcards).solution_path)

    def solution_job(self: _Plans, wildcards) -> str:
        """Job of placing the grid on the sky."""
        return self.plan(wildcards).solution_job()

    def grid_frame(self: _Plans, wildcards) -> list[str]:
        """Link of the sub that is the grid."""
        plan = self._pinned_plan(wildcards)
        lock = plan.pinned
        return [] if lock is None else self._links(plan, [plan.by_id[lock.reference]])

    def grid_measures(self: _Plans, wildcards) -> list[str]:
        """Measures that hold the sub that is the grid."""
        plan = self._pinned_plan(wildcards)
        path, taker = plan.reference_path() or "", plan.solution_path
        if taker not in self._to_make and path in self._to_make:
            return []  # what becomes of the other subs of that night is nothing to it
        return self._made(taker, [path])

    def grid_lock(self: _Plans, wildcards) -> str:
        """File that pins the grid, for what depends on the grid alone."""
        plan = self._pinned_plan(wildcards)
        return plan.lock_path if plan.pinned is None else ancient(plan.lock_path)

    def star_catalogue(self: _Plans, wildcards) -> list[str] | str:
        """Star catalogue of the user's, if there is one."""
        path = self.plan(wildcards).star_path
        return [] if path is None else ancient(path)

    def measured_solution(self: _Plans, wildcards) -> str | list[str]:
        """Place of the grid on the sky, for the zero points."""
        plan = self.plan(wildcards)
        return single(self._made(plan.zero_points_path, [plan.solution_path]))

    def measured_channels(self: _Plans, wildcards) -> list[str]:
        """Integrated images of all channels, for their zero points."""
        plan = self.plan(wildcards)
        return self._made(plan.zero_points_path, [plan.channel_path(c) for c in plan.channels])

    def measured_registrations(self: _Plans, wildcards) -> list[str]:
        """Registration tables of all channels, for their zero points."""
        plan = self.plan(wildcards)
        return self._made(plan.zero_points_path, [plan.registration_path(c) for c in plan.channels])

    def all_measures(self: _Plans, wildcards) -> list[str]:
        """Measures of all nights of all channels."""
        plan = self.plan(wildcards)
        paths = [plan.measures_path(c, night) for c in plan.channels for night in plan.nights(c)]
        return self._made(plan.zero_points_path, paths)

    def zero_points_job(self: _Plans, wildcards) -> str:
        """Job of the zero points."""
        return self.plan(wildcards).zero_points_job()

    def _pinned_plan(self: _Plans, wildcards) -> ProjectPlan:
        """Return a plan whose grid is chosen; Snakemake asks again when it is."""
        plan = self.plan(wildcards)
        if plan.pinned is None and self._choice is not None:
            self._choice.get(lock=lock_stem(plan))
        return plan


def single(paths: list[str]) -> str | list[str]:
    """Return the only path of a list as Snakemake wants it, or the empty list."""
    return paths[0] if paths else paths


def lock_stem(plan: ProjectPlan) -> str:
    """Path of a lock file without its ending."""
    return plan.lock_path.removesuffix(".lock.yaml")
