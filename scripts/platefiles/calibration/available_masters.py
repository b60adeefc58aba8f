"""The masters of a project's calibration frames, and the masters that correct them."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property

from platefiles.calibration.compatibility import Fit, Tolerance, fits
from platefiles.calibration.grouping import Pool, flat_pools, pools_of, unique_names
from platefiles.frames.frame import Frame

KINDS = ("bias", "dark", "flat")


@dataclass(frozen=True)
class MasterGroup:
    """Calibration frames to combine into one master."""

    name: str
    """Safe file stem."""
    kind: str
    """bias, dark or flat."""
    frame_ids: tuple[str, ...]
    channel: str
    """Project channel of a flat, else empty."""
    night: str
    """Night of a flat, empty where the nights are pooled and for other kinds."""
    exposure_s: float
    temperature_c: float | None
    bias: str | None
    """Name of the master bias that is taken from these frames first."""
    dark: str | None
    """Name of the master dark that is taken from these frames first."""


@dataclass(frozen=True)
class Shelf:
    """All possible masters.

    Attributes
    ----------
    pools : dict
        Kind to pools.
    masters : dict
        Kind to masters, in the order of the pools.
    by_name : dict
        Name to master.
    left_out : tuple of Frame
        Flats of nights with too few flats.
    far_bias : tuple of str
        Names of flats whose bias has another temperature.
    """

    pools: dict[str, list[Pool]]
    masters: dict[str, list[MasterGroup]]
    by_name: dict[str, MasterGroup]
    left_out: tuple[Frame, ...]
    far_bias: tuple[str, ...]

    @cached_property
    def _by_first_frame(self) -> dict[tuple[str, str], MasterGroup]:
        """Masters by kind and the first frame of their pool, which is in no other."""
        return {
            (kind, pool.frames[0].id): master
            for kind, pools in self.pools.items()
            for pool, master in zip(pools, self.masters[kind], strict=True)
        }

    def master(self, pool: Pool) -> MasterGroup:
        """Return the master of a pool."""
        return self._by_first_frame[pool.kind, pool.frames[0].id]


def fill_shelf(frames: Sequence[Frame], tolerance: Tolerance, min_flats: int) -> Shelf:
    """Pool the calibration frames and choose the masters that correct each master.

    From darks, a bias of their setting and temperature is subtracted. From flats, a dark of their
    exposure is subtracted, else the bias nearest in temperature: the drift of the bias with
    temperature is small compared with the level of a flat.
    """
    limits = tolerance.temperature_c, tolerance.exposure
    pools = {kind: pools_of(frames, kind, *limits) for kind in ("bias", "dark")}
    pools["flat"], left_out = flat_pools(frames, min_flats)
    names = {kind: unique_names(pools[kind]) for kind in KINDS}
    masters = {"bias": [_master(n, p) for n, p in zip(names["bias"], pools["bias"], strict=True)]}
    masters["dark"] = []
    for name, pool in zip(names["dark"], pools["dark"], strict=True):
        best = _good(fits("bias", _middle(pool), pools["bias"], tolerance))
        bias = names["bias"][pools["bias"].index(best.pool)] if best else None
        masters["dark"].append(_master(name, pool, bias))
    masters["flat"], far_bias = _flat_masters(names, pools, masters["dark"], tolerance)
    by_name = {m.name: m for kind in KINDS for m in masters[kind]}
    return Shelf(pools, masters, by_name, tuple(left_out), far_bias)


def _flat_masters(
    names: dict[str, list[str]],
    pools: dict[str, list[Pool]],
    darks: list[MasterGroup],
    tolerance: Tolerance,
) -> tuple[list[MasterGroup], tuple[str, ...]]:
    masters, far_bias = [], []
    anywhere = replace(tolerance, temperature_c=float("inf"))
    for name, pool in zip(names["flat"], pools["flat"], strict=True):
        dark = _dark_of_flats(pool, pools["dark"], tolerance)
        if dark is not None:
            own = darks[pools["dark"].index(dark)]
            masters.append(_master(name, pool, own.bias, own.name))
            continue
        best = _good(fits("bias", _middle(pool), pools["bias"], anywhere))
        bias = names["bias"][pools["bias"].index(best.pool)] if best else None
        if best and abs(best.warmer_c) > tolerance.temperature_c:
            far_bias.append(name)
        masters.append(_master(name, pool, bias))
    return masters, tuple(far_bias)


def _dark_of_flats(pool: Pool, darks: list[Pool], tolerance: Tolerance) -> Pool | None:
    """Return the dark whose exposure fits every flat of the pool."""
    ends = sorted(pool.frames, key=lambda frame: frame.exposure_s)
    if ends[0].exposure_s <= 0:
        return None
    for fit in fits("dark", _middle(pool), darks, tolerance):
        sides = (_good(fits("dark", _at(pool, f.exposure_s), [fit.pool], tolerance)) for f in ends)
        if all(sides):
            return fit.pool
    return None


def _good(found: list[Fit]) -> Fit | None:
    return next((fit for fit in found if fit.is_good), None)


def _middle(pool: Pool) -> Frame:
    return _at(pool, pool.exposure_s)


def _at(pool: Pool, exposure_s: float) -> Frame:
    return replace(pool.frames[0], exposure_s=exposure_s, temperature_c=pool.temperature_c)


def _master(name: str, pool: Pool, bias: str | None = None, dark: str | None = None) -> MasterGroup:
    return MasterGroup(
        name=name,
        kind=pool.kind,
        frame_ids=tuple(frame.id for frame in pool.frames),
        channel=pool.channel,
        night=pool.night,
        exposure_s=pool.exposure_s,
        temperature_c=pool.temperature_c,
        bias=bias,
        dark=dark,
    )
