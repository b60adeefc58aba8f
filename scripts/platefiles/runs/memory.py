"""Memory of rules that depends on the frames, in MB."""

import math
from collections.abc import Mapping

from platefiles.integration.tiles import MERGED_BYTES_A_SAMPLE, needed_mb
from platefiles.plan.project_plan import ProjectPlan
from platefiles.rule_inputs.project_wildcards import plan_of

Shape = tuple[int, int]

_BASE_MB = 250
BYTES_A_PIXEL = {
    "rays": 20, "sky": 12, "match": 24, "line": 24, "draw": 24, "search": 28, "sheet": 8,
    "annotate": 12, "overlay": 20,
}  # fmt: skip
"""Bytes a pixel of the channel, or of the picture, by the name of the method of `Memory`."""


class Memory:
    """Memory of the jobs of a run; its methods are resource functions of rules.

    Parameters
    ----------
    plans : mapping of str to ProjectPlan
    """

    def __init__(self, plans: Mapping[str, ProjectPlan]):
        self._plans = plans

    def integrate(self, wildcards, threads: int) -> int:
        """Memory of integrating a channel, or merging its nights."""
        plan, channel = plan_of(self._plans, wildcards), wildcards.channel
        nights = len(plan.nights_alone(channel))
        samples = len(plan.lights_merged(channel)) + nights
        return memory_for(
            "merge" if nights else "integrate", _shape(plan, channel), samples, threads
        )

    def integrate_night(self, wildcards, threads: int) -> int:
        """Memory of integrating a channel's night."""
        plan, channel = plan_of(self._plans, wildcards), wildcards.channel
        subs = len(plan.lights(channel, wildcards.night))
        return memory_for("integrate", _shape(plan, channel), subs, threads)

    def rays(self, wildcards) -> int:
        """Memory of finding cosmic rays, which holds a sub at a time."""
        frame = plan_of(self._plans, wildcards).lights(wildcards.channel)[0]
        return _mb(frame.width_px * frame.height_px, BYTES_A_PIXEL["rays"])

    def sky(self, wildcards) -> int:
        """Memory of modelling the sky of a channel."""
        return _mb(_grid_px(plan_of(self._plans, wildcards)), BYTES_A_PIXEL["sky"])

    def match(self, wildcards) -> int:
        """Memory of convolving a channel, which stands beside the result."""
        return _mb(_grid_px(plan_of(self._plans, wildcards)), BYTES_A_PIXEL["match"])

    def line(self, wildcards) -> int:
        """Memory of subtracting one channel from another, one of them convolved."""
        return _mb(_grid_px(plan_of(self._plans, wildcards)), BYTES_A_PIXEL["line"])

    def search(self, wildcards) -> int:
        """Memory of measuring the depth and of finding sources, which hold a channel at a time."""
        return _mb(_grid_px(plan_of(self._plans, wildcards)), BYTES_A_PIXEL["search"])

    def draw(self, wildcards) -> int:
        """Memory of drawing a picture, which holds its planes."""
        return _mb(_picture_px(plan_of(self._plans, wildcards)), BYTES_A_PIXEL["draw"])

    def sheet(self, wildcards) -> int:
        """Memory of the contact sheet, which reads images in strips."""
        return _mb(_grid_px(plan_of(self._plans, wildcards)), BYTES_A_PIXEL["sheet"])

    def annotate(self, wildcards) -> int:
        """Memory of drawing over the picture."""
        return _mb(_picture_px(plan_of(self._plans, wildcards)), BYTES_A_PIXEL["annotate"])

    def overlay(self, wildcards) -> int:
        """Memory of showing an image beside the picture."""
        return _mb(_picture_px(plan_of(self._plans, wildcards)), BYTES_A_PIXEL["overlay"])


def memory_for(name: str, shape: Shape, subs: int, threads: int) -> int:
    """Return the memory by a method of `Memory`, MB, for images of a known size.

    Parameters
    ----------
    name : str
        Name of the method.
    shape : tuple of int
        ``(ny, nx)`` of the raw frames, of the channels or of the picture.
    subs : int
        Raw frames of the channel.
    threads : int
    """
    if name in ("integrate", "integrate_night"):
        return needed_mb(subs, shape, threads)
    if name == "merge":
        return needed_mb(subs, shape, threads, MERGED_BYTES_A_SAMPLE)
    return _mb(shape[0] * shape[1], BYTES_A_PIXEL[name])


def _mb(pixels: float, bytes_a_pixel: int) -> int:
    return _BASE_MB + math.ceil(pixels * bytes_a_pixel / 1024**2)


def _shape(plan: ProjectPlan, channel: str) -> Shape:
    frame = plan.lights(channel)[0]
    return frame.height_px, frame.width_px


def _grid_px(plan: ProjectPlan) -> int:
    frame = plan.lights(plan.channels[0])[0]
    return frame.width_px * frame.height_px


def _picture_px(plan: ProjectPlan) -> float:
    geometry = plan.loaded.recipe.geometry
    # A frame that is turned by 45 degrees wants a sheet twice as large.
    turned = 1 if geometry.position_angle_deg is None else 2
    return turned * geometry.scale**2 * _grid_px(plan)
