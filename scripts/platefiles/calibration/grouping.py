"""Calibration frames pooled by camera setting, sensor temperature and exposure."""

import math
from collections import Counter, defaultdict
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from datetime import date
from statistics import median

from platefiles.core.safe_names import digest, slug
from platefiles.frames.frame import Frame

ENOUGH = 5
"""Frames from which on a master hardly adds noise to the subs: a tenth with that of one sub."""
_SLACK = 1e-6


@dataclass(frozen=True)
class Pool:
    """Calibration frames of one kind and setting.

    Attributes
    ----------
    kind : str
        bias, dark or flat.
    frames : tuple of Frame
        Sorted by id.
    exposure_s, temperature_c : float
        Medians of the frames; the temperature is None if the headers lack it.
    channel, night : str
        Of flats; the night is empty where the nights are pooled.
    """

    kind: str
    frames: tuple[Frame, ...]
    exposure_s: float
    temperature_c: float | None
    channel: str = ""
    night: str = ""

    @property
    def name(self) -> str:
        """Safe and readable file stem, unchanged when similar frames are added."""
        parts = [self.kind, self.channel, self.night]
        if self.kind == "dark":
            parts.append(exposure_slug(self.exposure_s))
        parts.append(self.frames[0].setting)
        if self.kind != "flat":
            parts.append(temperature_slug(self.temperature_c))
        return "_".join(part for part in parts if part)


def pools_of(
    frames: Iterable[Frame], kind: str, temperature_tolerance_c: float, exposure_tolerance: float
) -> list[Pool]:
    """Pool bias or dark frames by setting and temperature, darks by exposure as well.

    No two frames of a pool differ by more than the tolerance. First, frames are split into pools no
    wider than half the tolerance: the fewest pools, and of these splits the tightest. Then pools of
    fewer than five frames join their neighbours, up to the whole tolerance, so that no frame stays
    alone beside a pool with room and no straggler splits a pool. The result does not depend on the
    order of the frames, and pools further apart than the tolerance do not affect each other.

    Parameters
    ----------
    frames : iterable of Frame
        The list of frames.
    kind : str
        bias or dark.
    temperature_tolerance_c : float
        Largest difference between the coldest and the warmest frame of a pool, degrees C.
    exposure_tolerance : float
        Largest difference between the shortest and the longest dark of a pool, as a fraction.
    """
    pools = []
    for group in _by_setting(frame for frame in frames if frame.role == kind):
        for warm in _split(group, [f.temperature_c for f in group], temperature_tolerance_c):
            logs = [math.log(max(f.exposure_s, 1e-6)) if kind == "dark" else 0.0 for f in warm]
            for members in _split(warm, logs, math.log1p(exposure_tolerance)):
                pools.append(_pool(kind, members))
    return sorted(pools, key=lambda pool: pool.frames[0].id)


def flat_pools(frames: Iterable[Frame], min_flats: int) -> tuple[list[Pool], list[Frame]]:
    """Pool flats by setting, channel and night.

    If no night of a channel has `min_flats`, its nights are pooled.

    Returns
    -------
    pools : list of Pool
    left_out : list of Frame
        Flats of nights with too few flats, if other nights have enough.
    """
    pools, left_out = [], []
    for group in _by_setting(frame for frame in frames if frame.role == "flat"):
        channels: dict[str, dict[str, list[Frame]]] = defaultdict(lambda: defaultdict(list))
        for frame in group:
            channels[frame.channel][frame.night].append(frame)
        for channel, nights in sorted(channels.items()):
            enough = {night: fs for night, fs in nights.items() if len(fs) >= min_flats}
            if enough:
                pools += [_pool("flat", fs, channel, night) for night, fs in enough.items()]
                left_out += [f for night, fs in nights.items() if night not in enough for f in fs]
            else:
                pools.append(_pool("flat", sum(nights.values(), []), channel))
    return sorted(pools, key=lambda pool: pool.frames[0].id), left_out


def unique_names(pools: Sequence[Pool]) -> list[str]:
    """Return names of pools; equal names get a digest of the pool's first frame."""
    names = [pool.name for pool in pools]
    counts = Counter(names)
    return [
        name if counts[name] == 1 else f"{name}_{digest(pool.frames[0].id, 4)}"
        for name, pool in zip(names, pools, strict=True)
    ]


def mismatches(frame: Frame, other: Frame) -> tuple[list[str], list[str]]:
    """Compare the camera settings of two frames.

    Returns
    -------
    wrong : list of str
        Differing facts among camera, size, binning, gain and offset.
    unknown : list of str
        Facts that only one frame has.
    """
    wrong = []
    if (frame.width_px, frame.height_px) != (other.width_px, other.height_px):
        wrong.append("size")
    if frame.binning != other.binning:
        wrong.append("binning")
    unknown: list[str] = []
    pairs = {
        "camera": (slug(frame.camera) or None, slug(other.camera) or None),
        "gain": (frame.gain, other.gain),
        "offset": (frame.offset, other.offset),
    }
    for name, (one, two) in pairs.items():
        if one != two:
            (unknown if one is None or two is None else wrong).append(name)
    return wrong, unknown


def setting_of(frame: Frame) -> tuple[object, ...]:
    """Return the camera setting of a frame; frames with equal ones have no `mismatches`."""
    size = frame.width_px, frame.height_px, frame.binning
    return slug(frame.camera), *size, frame.gain, frame.offset


def days_apart(one: str, other: str) -> int:
    """Return the days between two nights; a very large number if one is undated or pooled."""
    try:
        return abs((date.fromisoformat(one) - date.fromisoformat(other)).days)
    except ValueError:
        return 1_000_000


def exposure_slug(exposure_s: float) -> str:
    """Write an exposure for a file name, three digits or whole seconds: `600s`, `0p25s`."""
    if exposure_s >= 100:
        return f"{exposure_s:.0f}s"
    return f"{exposure_s:.3g}s".replace(".", "p").replace("-", "m")


def temperature_slug(temperature_c: float | None) -> str:
    """Write a temperature for a file name: `m10c`, `5c`, empty if unknown."""
    if temperature_c is None:
        return ""
    return f"{round(temperature_c)}c".replace("-", "m")


def _by_setting(frames: Iterable[Frame]) -> list[list[Frame]]:
    groups: dict[tuple[object, ...], list[Frame]] = defaultdict(list)
    for frame in sorted(frames, key=lambda frame: frame.id):
        groups[setting_of(frame)].append(frame)
    return list(groups.values())


def _pool(kind: str, frames: list[Frame], channel: str = "", night: str = "") -> Pool:
    members = tuple(sorted(frames, key=lambda frame: frame.id))
    warm = [frame.temperature_c for frame in members if frame.temperature_c is not None]
    exposure = median(frame.exposure_s for frame in members)
    return Pool(kind, members, exposure, median(warm) if warm else None, channel, night)


def _split(frames: list[Frame], values: Sequence[float | None], width: float) -> list[list[Frame]]:
    """Split frames into groups no wider than `width`; those of unknown value form a separate group.

    Both steps are optimal one-dimensional clustering (Wang and Song 2011, The R Journal 3/2, 29),
    with a bound on the width in place of a given number of groups.
    """
    groups = [[f for v, f in zip(values, frames, strict=True) if v is None]]
    of_value: dict[float, list[Frame]] = defaultdict(list)
    for value, frame in zip(values, frames, strict=True):
        if value is not None:
            of_value[value].append(frame)
    levels = [_Group(v, v, len(fs), v, 0.0) for v, fs in sorted(of_value.items())]
    tight = _joined(levels, width / 2 + _SLACK, lambda group: (1, group.square))
    for group in _joined(tight, width + _SLACK, lambda group: (group.lacking, group.square)):
        groups.append([f for v, fs in of_value.items() if group.low <= v <= group.high for f in fs])
    return [group for group in groups if group]


@dataclass(frozen=True)
class _Group:
    """A group of adjacent values.

    Attributes
    ----------
    low, high : float
        Least and largest.
    number : int
    mean : float
    square : float
        Sum of the squared deviations from the mean.
    """

    low: float
    high: float
    number: int
    mean: float
    square: float

    def with_next(self, other: "_Group") -> "_Group":
        """Join the group with its neighbour of larger values."""
        number, step = self.number + other.number, other.mean - self.mean
        mean = self.mean + step * other.number / number
        square = self.square + other.square + step**2 * self.number * other.number / number
        return _Group(self.low, other.high, number, mean, square)

    @property
    def lacking(self) -> int:
        """Number of frames times the number that the group lacks; joining lowers it."""
        return self.number * max(0, ENOUGH - self.number)


def _joined(
    groups: Sequence[_Group], width: float, cost: Callable[[_Group], tuple[int, float]]
) -> list[_Group]:
    """Join neighbouring groups up to `width` so that the sum of costs is least.

    Parameters
    ----------
    groups : sequence of _Group
        In ascending order, none wider than `width`.
    width : float
    cost : callable
        Returns the cost of a group, and a second cost that breaks ties.
    """
    best: list[tuple[int, float]] = [(0, 0.0)]
    last: list[tuple[int, _Group]] = []
    for stop in range(1, len(groups) + 1):
        choices, joined = [], groups[stop - 1]
        for start in range(stop - 1, -1, -1):
            if start < stop - 1:
                joined = groups[start].with_next(joined)
            if joined.high - joined.low > width:
                break
            first, second = cost(joined)
            total = best[start][0] + first, round(best[start][1] + second, 9)
            choices.append((total, start, joined))
        total, start, joined = min(choices, key=lambda choice: choice[:2])
        best.append(total)
        last.append((start, joined))
    found, stop = [], len(groups)
    while stop:
        stop, group = last[stop - 1]
        found.append(group)
    return found[::-1]
