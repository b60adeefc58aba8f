"""How well a pool of calibration frames matches a sub, or another pool."""

import math
from collections.abc import Hashable, Iterable
from dataclasses import dataclass

from platefiles.calibration.grouping import ENOUGH, Pool, days_apart, mismatches, setting_of
from platefiles.frames.frame import Frame

_CAMERA = {"camera", "size", "binning", "gain", "offset"}
_SLACK = 1e-6


@dataclass(frozen=True)
class Tolerance:
    """Largest accepted differences."""

    temperature_c: float
    exposure: float
    """As a fraction of the exposure."""


@dataclass(frozen=True)
class Fit:
    """The comparison of a pool with a frame."""

    pool: Pool
    wrong: tuple[str, ...]
    """What does not fit: camera, size, binning, gain, offset, temperature, exposure, channel."""
    unknown: tuple[str, ...]
    """What only one side knows, and is taken to fit."""
    warmer_c: float
    """Temperature of the pool minus the one sought; 0 if unknown."""
    scale: float
    """Exposure sought over that of the pool."""
    nights: int
    """Nights between them."""

    @property
    def is_good(self) -> bool:
        """Whether everything fits."""
        return not self.wrong

    @property
    def rank(self) -> tuple[object, ...]:
        """Sort key: the best comes first."""
        return (
            len(_CAMERA.intersection(self.wrong)),
            "channel" in self.wrong,
            "exposure" in self.wrong,
            "temperature" in self.wrong,
            len(self.unknown),
            # Flats of fewer frames than are wanted are pooled, or left out, before.
            self.pool.kind != "flat" and len(self.pool.frames) < ENOUGH,
            self.nights,
            round(abs(math.log(self.scale)), 1),
            abs(self.warmer_c),
            abs(math.log(self.scale)),
            self.scale,
            self.pool.night,
            self.pool.name,
        )


class FlatPools:
    """Pools of flats by camera setting, channel and night.

    Without it, each night's lights would be compared with the flats of all nights.

    Parameters
    ----------
    pools : iterable of Pool
    """

    def __init__(self, pools: Iterable[Pool]) -> None:
        self._all = list(pools)
        self._alike: dict[Hashable, dict[str, Pool]] = {}
        for pool in self._all:
            key = setting_of(pool.frames[0]), pool.channel
            self._alike.setdefault(key, {})[pool.night] = pool

    def candidates(self, sought: Frame) -> list[Pool]:
        """Return the pools of which one is the best for a light.

        Of a light's setting and channel, the pool of its night comes before all others, and each
        one before those of other settings or channels.
        """
        alike = self._alike.get((setting_of(sought), sought.channel), {})
        own = alike.get(sought.night)
        if own is not None and days_apart(own.night, sought.night) == 0:
            return [own]
        return list(alike.values()) or self._all


def looked_at(kind: str, sought: Frame) -> Hashable:
    """Return the facts of a frame that `fits` uses; frames with equal facts have equal fits."""
    setting = (sought.width_px, sought.height_px, sought.binning, sought.camera)
    more = {
        "bias": (sought.temperature_c,),
        "dark": (sought.temperature_c, sought.exposure_s),
        "flat": (sought.channel, sought.night),
    }
    return kind, *setting, sought.gain, sought.offset, *more[kind]


def fits(
    kind: str,
    sought: Frame,
    pools: Iterable[Pool],
    tolerance: Tolerance,
) -> list[Fit]:
    """Compare pools of one kind with a frame; return the fits, best first.

    Camera, size, binning, gain and offset must be equal. The temperature of bias and darks and the
    exposure of darks must agree within the tolerance. Flats must have the same channel; the nearest
    night comes first, and of two equally near nights the earlier. A fact unknown on either side
    counts as a fit, ranked after known fits. Pools of at least five bias or dark frames come before
    smaller ones.
    """
    return sorted(
        (_compare(kind, sought, pool, tolerance) for pool in pools), key=lambda fit: fit.rank
    )


def _compare(kind: str, sought: Frame, pool: Pool, tolerance: Tolerance) -> Fit:
    wrong, unknown = mismatches(sought, pool.frames[0])
    warmer, scale, nights = 0.0, 1.0, 0
    if kind == "flat":
        if pool.channel != sought.channel:
            wrong.append("channel")
        nights = days_apart(pool.night, sought.night)
    elif pool.temperature_c is not None and sought.temperature_c is not None:
        warmer = pool.temperature_c - sought.temperature_c
        if abs(warmer) > tolerance.temperature_c + _SLACK:
            wrong.append("temperature")
    elif pool.temperature_c != sought.temperature_c:
        unknown.append("temperature")
    if kind == "dark":
        scale = max(sought.exposure_s, _SLACK) / max(pool.exposure_s, _SLACK)
        if abs(1 / scale - 1) > tolerance.exposure + _SLACK:
            wrong.append("exposure")
    return Fit(pool, tuple(wrong), tuple(unknown), warmer, scale, nights)
