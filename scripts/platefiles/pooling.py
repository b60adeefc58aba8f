"""Calibration frames pooled by camera setting, sensor temperature and exposure."""

import math
from bisect import bisect_left, bisect_right
from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date
from statistics import median

from platefiles.frame import Frame
from platefiles.slug import digest, slug


@dataclass(frozen=True)
class Pool:
    """Frames of one kind that belong together.

    Attributes
    ----------
    kind : str
        bias, dark or flat.
    frames : tuple of Frame
        Sorted by id.
    exposure_s, temperature_c : float
        Medians of the frames; the temperature is None if their headers have none.
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
        """Safe and readable file stem, which does not change when like frames are added."""
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

    Frames of one pool lie within half a tolerance of its densest place, so that one straggler
    cannot split a pool.
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

    Where no night of a channel has `min_flats`, its nights are pooled.

    Returns
    -------
    pools : list of Pool
    left_out : list of Frame
        Flats of nights that have too few, where other nights have enough.
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


def unique_names(pools: Sequence[Pool], suffix: str = "") -> list[str]:
    """Names of pools; where two come out the same, each gets a digest of its first frame."""
    names = [pool.name + suffix for pool in pools]
    return [
        name if names.count(name) == 1 else f"{name}_{digest(pool.frames[0].id, 4)}"
        for name, pool in zip(names, pools, strict=True)
    ]


def mismatches(frame: Frame, other: Frame) -> tuple[list[str], list[str]]:
    """Compare the camera settings of two frames.

    Returns
    -------
    wrong : list of str
        What differs, of camera, size, binning, gain and offset.
    unknown : list of str
        What only one of them knows.
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


def days_apart(one: str, other: str) -> int:
    """Count the days between two nights; very many if one is undated or pooled."""
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
        size = frame.width_px, frame.height_px, frame.binning
        groups[slug(frame.camera), *size, frame.gain, frame.offset].append(frame)
    return list(groups.values())


def _pool(kind: str, frames: list[Frame], channel: str = "", night: str = "") -> Pool:
    members = tuple(sorted(frames, key=lambda frame: frame.id))
    warm = [frame.temperature_c for frame in members if frame.temperature_c is not None]
    exposure = median(frame.exposure_s for frame in members)
    return Pool(kind, members, exposure, median(warm) if warm else None, channel, night)


def _split(frames: list[Frame], values: Sequence[float | None], width: float) -> list[list[Frame]]:
    """Split frames into groups no wider than `width`, the densest first; unknown values apart."""
    known = sorted(
        (
            (value, frame.id, frame)
            for value, frame in zip(values, frames, strict=True)
            if value is not None
        ),
        key=lambda item: item[:2],
    )
    groups = [[f for v, f in zip(values, frames, strict=True) if v is None]]
    half = width / 2 + 1e-6
    while known:
        sorted_values = [item[0] for item in known]
        spans = [
            (bisect_left(sorted_values, v - half), bisect_right(sorted_values, v + half))
            for v in sorted_values
        ]
        most = max(stop - start for start, stop in spans)
        best = [span for span in spans if span[1] - span[0] == most]
        start, stop = best[len(best) // 2]
        groups.append([item[2] for item in known[start:stop]])
        known = known[:start] + known[stop:]
    return [group for group in groups if group]
