"""Functions of wildcards for the rules that tell how deep a field is and what is in it."""

import math
import os
from collections.abc import Sequence
from typing import Protocol

from platefiles.rule_inputs.field_inputs import single
from platefiles.rule_inputs.flags import ancient
from platefiles.workflow.jobs import ProjectPlan

_BASE_MB = 250
_SEARCHED, _ANNOTATED, _OVERLAID = 55, 65, 190
"""Bytes a pixel of the channel, or of the picture."""


def _needed_mb(pixels: float, bytes_a_pixel: int) -> int:
    return _BASE_MB + math.ceil(pixels * bytes_a_pixel / 1024**2)


def _grid_px(plan: ProjectPlan) -> int:
    frame = plan.lights(plan.channels[0])[0]
    return frame.width_px * frame.height_px


def _picture_px(plan: ProjectPlan) -> float:
    geometry = plan.loaded.recipe.geometry
    # A frame that is turned by 45 degrees wants a sheet twice as large.
    turned = 1 if geometry.position_angle_deg is None else 2
    return turned * geometry.scale**2 * _grid_px(plan)


class _Plans(Protocol):
    """What the functions ask of the plans that they belong to."""

    def plan(self, wildcards) -> ProjectPlan:
        """Return the plan that wildcards name."""
        ...

    def _made(self, taker: str, paths: Sequence[str]) -> list[str]: ...

    def _drawing(self, wildcards) -> str: ...


class DepthInputs:
    """A part of `platefiles.rule_inputs.raw_to_picture.Plans`."""

    def search_mem_mb(self: _Plans, wildcards) -> int:
        """Memory of measuring the depth and of finding sources, which hold a channel at a time."""
        return _needed_mb(_grid_px(self.plan(wildcards)), _SEARCHED)

    def annotate_mem_mb(self: _Plans, wildcards) -> int:
        """Memory of drawing over the picture."""
        return _needed_mb(_picture_px(self.plan(wildcards)), _ANNOTATED)

    def overlay_mem_mb(self: _Plans, wildcards) -> int:
        """Memory of showing an image beside the picture."""
        return _needed_mb(_picture_px(self.plan(wildcards)), _OVERLAID)

    def deep_solution(self: _Plans, wildcards) -> str | list[str]:
        """Place of the grid on the sky, for the depth."""
        plan = self.plan(wildcards)
        return single(self._made(plan.depth_path, [plan.solution_path]))

    def deep_zero_points(self: _Plans, wildcards) -> str | list[str]:
        """Zero points, for the depth."""
        plan = self.plan(wildcards)
        return single(self._made(plan.depth_path, [plan.zero_points_path]))

    def deep_channels(self: _Plans, wildcards) -> list[str]:
        """Integrated images of all channels, for their depth."""
        plan = self.plan(wildcards)
        return self._made(plan.depth_path, [plan.channel_path(c) for c in plan.channels])

    def deep_registrations(self: _Plans, wildcards) -> list[str]:
        """Registration tables of all channels, for their depth."""
        plan = self.plan(wildcards)
        return self._made(plan.depth_path, [plan.registration_path(c) for c in plan.channels])

    def deep_measures(self: _Plans, wildcards) -> list[str]:
        """Measures of all nights of all channels, for their depth."""
        plan = self.plan(wildcards)
        paths = [plan.measures_path(c, night) for c in plan.channels for night in plan.nights(c)]
        return self._made(plan.depth_path, paths)

    def depth_job(self: _Plans, wildcards) -> str:
        """Job of the depth."""
        return self.plan(wildcards).depth_job()

    def searched_solution(self: _Plans, wildcards) -> str | list[str]:
        """Place of the grid on the sky, for the sources."""
        plan = self.plan(wildcards)
        return single(self._made(plan.sources_path, [plan.solution_path]))

    def searched_depth(self: _Plans, wildcards) -> str | list[str]:
        """Depth of the channels, for the sources."""
        plan = self.plan(wildcards)
        return single(self._made(plan.sources_path, [plan.depth_path]))

    def searched_channels(self: _Plans, wildcards) -> list[str]:
        """Integrated images of all channels, of which one is searched for sources."""
        plan = self.plan(wildcards)
        return self._made(plan.sources_path, [plan.channel_path(c) for c in plan.channels])

    def object_list(self: _Plans, wildcards) -> list[str] | str:
        """List of objects of the user's, if there is one."""
        path = self.plan(wildcards).objects_path
        return [] if path is None else ancient(path)

    def sources_job(self: _Plans, wildcards) -> str:
        """Job of identifying sources."""
        return self.plan(wildcards).sources_job()

    def listed_sources(self: _Plans, wildcards) -> str | list[str]:
        """Sources of which a list is made."""
        plan = self.plan(wildcards)
        taker = f"{plan.results}/field/sources.{wildcards.ending}"
        return single(self._made(taker, [plan.sources_path]))

    def lists_job(self: _Plans, wildcards) -> str:
        """Job of the lists of sources."""
        return self.plan(wildcards).lists_job()

    def annotated_picture(self: _Plans, wildcards) -> str | list[str]:
        """Picture that is drawn over."""
        plan = self.plan(wildcards)
        return single(self._made(self._drawing(wildcards), [plan.shown_picture]))

    def annotated_cube(self: _Plans, wildcards) -> str | list[str]:
        """Linear cube of the picture that is drawn over, which tells its place on the sky."""
        plan = self.plan(wildcards)
        return single(self._made(self._drawing(wildcards), [plan.cube_path]))

    def annotated_solution(self: _Plans, wildcards) -> str | list[str]:
        """Place of the grid on the sky, with the stars of the catalogue in it."""
        plan = self.plan(wildcards)
        return single(self._made(self._drawing(wildcards), [plan.solution_path]))

    def annotated_sources(self: _Plans, wildcards) -> str | list[str]:
        """Sources that are drawn over the picture."""
        plan = self.plan(wildcards)
        return single(self._made(self._drawing(wildcards), [plan.sources_path]))

    def _drawing(self: _Plans, wildcards) -> str:
        return f"{self.plan(wildcards).results}/field/annotated.{wildcards.ending}"

    def annotation_job(self: _Plans, wildcards) -> str:
        """Job of drawing over the picture."""
        return self.plan(wildcards).annotation_job()

    def overlaid_picture(self: _Plans, wildcards) -> str | list[str]:
        """Picture beside which an image is shown."""
        plan = self.plan(wildcards)
        return single(self._made(plan.overlay_files[wildcards.image], [plan.shown_picture]))

    def overlaid_cube(self: _Plans, wildcards) -> str | list[str]:
        """Linear cube of the picture beside which an image is shown."""
        plan = self.plan(wildcards)
        return single(self._made(plan.overlay_files[wildcards.image], [plan.cube_path]))

    def overlaid_image(self: _Plans, wildcards) -> str:
        """Image of the user's."""
        return ancient(os.fspath(self.plan(wildcards).loaded.overlay_paths[wildcards.image]))

    def overlay_job(self: _Plans, wildcards) -> str:
        """Job of showing an image beside the picture."""
        return self.plan(wildcards).overlay_job(wildcards.image)
