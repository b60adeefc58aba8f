"""Frames of a channel from its raw subs, resampled as an integration does."""

from collections.abc import Iterator, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path
from threading import local
from typing import Any

import numpy as np

from platefiles.calibration.master_library import Masters
from platefiles.integration.combined_product import OpenSubs, with_unchanged
from platefiles.integration.integrate_job import SubsJob
from platefiles.integration.opened_subs import open_subs
from platefiles.jobs.job_log import log
from platefiles.registration.registration_table import RegisteredSub
from platefiles.settings.job import Names
from platefiles.subs.calibrated_sub import Sub, SubRoom
from platefiles.subs.hit_pixels import HitPixels
from platelib.blink.frame_mean import FrameMean
from platelib.blink.grid_part import GridPart
from platelib.blink.square_means import square_means
from platelib.blink.time_bins import shortest_length_s, time_bins
from platelib.registration.frame_selection import counted
from platelib.registration.sub_state import SubState

_STRIP_PX = 1 << 19

MOST_FRAMES = 60
"""Frames of an animation whose subs are combined by default: 15 s at 4 frames a second."""


class BlinkJob(SubsJob):
    """The job of the frames of a channel.

    Attributes
    ----------
    nights : tuple of str
        Nights that are integrated on their own.
    """

    nights: Names


@dataclass(frozen=True)
class FrameFacts:
    """What a frame shows.

    Attributes
    ----------
    middle_utc : str
        Middle of the exposures, ISO 8601 to a millisecond, UTC; empty if unknown.
    span_s : float
        From the begin of the first exposure to the end of the last, s; NaN if unknown.
    exposure_s : float
        Sum of the exposures, s.
    night : str
    ids : tuple of str
        Ids of its subs, in order of time.
    """

    middle_utc: str
    span_s: float
    exposure_s: float
    night: str
    ids: tuple[str, ...]


@dataclass(frozen=True)
class Frames:
    """Frames of a channel.

    Attributes
    ----------
    images : list of numpy.ndarray
        ``(ny, nx)`` float32 each, in the unit of the channel, at the scale and sky of its
        reference; NaN where there are no data.
    facts : list of FrameFacts
    part : GridPart
    """

    images: list[np.ndarray]
    facts: list[FrameFacts]
    part: GridPart


@dataclass(frozen=True)
class Sources:
    """Files of the subs of a channel.

    Attributes
    ----------
    raw : sequence of path-like
        Lights, in the order of the job.
    masters : Masters
    registered : sequence of RegisteredSub
        All subs of the channel. Those that differ from the measured ones are changed in place.
    grid : tuple of int
        ``(ny, nx)``.
    hits : mapping of str to HitPixels
        Cosmic rays by id of the sub.
    """

    raw: Sequence[str | Path]
    masters: Masters
    registered: Sequence[RegisteredSub]
    grid: tuple[int, int]
    hits: Mapping[str, HitPixels]


def resampled_frames(
    sources: Sources,
    job: BlinkJob,
    part: GridPart,
    length_s: float | None = None,
    threads: int = 1,
) -> Frames:
    """Return the frames of the used subs of a channel.

    They are resampled in strips of the grid, of all subs of a night after each other, so that what
    masters amount to is worked out once a strip. Nothing is rejected.

    Parameters
    ----------
    sources : Sources
    job : BlinkJob
    part : GridPart
        Only its rows and columns are resampled.
    length_s : float, optional
        Length in time of the subs that a frame combines, s; 0 shows each sub. By default it is the
        shortest with which there are at most ``MOST_FRAMES``.
    threads : int
        Strips that are worked on at a time; it changes no bit.

    Returns
    -------
    Frames
        Without frames whose subs all changed since they were measured.
    """
    bins = subs_of_frames(sources.registered, length_s)
    frames = Frames([], [], part)
    for night in dict.fromkeys(rows[0].facts["night"] for rows in bins):
        own = [rows for rows in bins if rows[0].facts["night"] == night]
        _add_night(frames, sources, job, own, threads)
    for line in said_of(frames, sources.registered):
        log.info("%s", line)
    return frames


def subs_of_frames(
    registered: Sequence[RegisteredSub], length_s: float | None
) -> list[list[RegisteredSub]]:
    """Return the used subs of each frame, in order of time.

    Parameters
    ----------
    registered : sequence of RegisteredSub
    length_s : float or None
        As for `resampled_frames`.
    """
    used = [row for row in registered if row.facts["state"] == SubState.USED]
    nights = [row.facts["night"] for row in used]
    middles = [_middle_s(row.facts) for row in used]
    if length_s is None:
        length_s = shortest_length_s(nights, middles, MOST_FRAMES)
    return [[used[k] for k in members] for members in time_bins(nights, middles, length_s)]


def _opened(stack: ExitStack, sources: Sources, job: BlinkJob, night: str) -> OpenSubs:
    """Open the used subs of a night as its integration does."""
    subs = [(path, s) for path, s in zip(sources.raw, job.subs, strict=True) if s["night"] == night]
    own = job.model_copy(update={"subs": tuple(facts for _, facts in subs)})
    compared = [
        row for row in sources.registered if night not in job.nights or row.facts["night"] == night
    ]
    paths = [path for path, _ in subs]
    return open_subs(stack, paths, sources.masters, compared, sources.hits, own, sources.grid)


def _add_night(
    frames: Frames,
    sources: Sources,
    job: BlinkJob,
    bins: Sequence[Sequence[RegisteredSub]],
    threads: int,
) -> None:
    """Add the frames of a night, without subs that change while they are read."""
    number = {row.facts["id"]: k for k, rows in enumerate(bins) for row in rows}
    night = bins[0][0].facts["night"]

    def opened(stack: ExitStack) -> OpenSubs:
        return _opened(stack, sources, job, night)

    def add(subs: OpenSubs) -> None:
        shown = [(number[row.facts["id"]], row, sub) for row, sub in subs]
        means = _means(shown, len(bins), frames.part, threads)
        for _, sub in subs:
            sub.image.check_unchanged()
        for k in range(len(means)):
            facts = sorted((r.facts for n, r, _ in shown if n == k), key=_in_time)
            mean = means.pop(0)  # the sums of all frames take more than the frames
            if facts:
                frames.images.append(mean.mean)
                frames.facts.append(_facts_of(facts))

    with_unchanged(opened, add)


def _means(
    subs: Sequence[tuple[int, RegisteredSub, Sub]], count: int, part: GridPart, threads: int
) -> list[FrameMean]:
    """Return the weighted means of a night's subs, each of which has the number of its frame."""
    means = [FrameMean(part.shape) for _ in range(count)]
    rooms = local()

    def fill(strip: tuple[int, int]) -> None:
        if not hasattr(rooms, "own"):
            rooms.own = SubRoom()
        first, last = (part.rows[0] + y * part.factor for y in strip)
        out = np.empty((2, last - first, part.columns[1] - part.columns[0]), dtype=np.float32)
        for number, row, sub in subs:
            place = (row.transform, row.levels, (first, last), part.columns)
            values, _ = sub.registered(*place, out=(out[0], out[1]), room=rooms.own)
            means[number].add(square_means(values, part.factor), row.facts["weight"], strip[0])

    with ThreadPoolExecutor(threads) as pool:
        for _ in pool.map(fill, part.strips(_STRIP_PX)):
            pass
    return means


def _in_time(facts: Mapping[str, Any]) -> tuple[str, str]:
    return facts["start_utc"], facts["id"]


_ZERO = datetime(2000, 1, 1)


def _start_of(facts: Mapping[str, Any]) -> datetime | None:
    start = facts["start_utc"]
    return datetime.fromisoformat(start.rstrip("Z")) if "T" in start else None


def _middle_s(facts: Mapping[str, Any]) -> float:
    """Return the middle of an exposure, seconds from 2000; NaN if unknown."""
    start = _start_of(facts)
    return (
        float("nan")
        if start is None
        else (start - _ZERO).total_seconds() + (facts["exposure_s"] or 0.0) / 2
    )


def _facts_of(subs: Sequence[Mapping[str, Any]]) -> FrameFacts:
    lengths = [one["exposure_s"] or 0.0 for one in subs]
    ids, night = tuple(one["id"] for one in subs), subs[0]["night"]
    middles = np.array([_middle_s(one) for one in subs])
    if np.isnan(middles).any():
        return FrameFacts("", float("nan"), sum(lengths), night, ids)
    begin, end = (min(middles - np.array(lengths) / 2), max(middles + np.array(lengths) / 2))
    weights = lengths if sum(lengths) > 0 else [1.0] * len(lengths)
    middle = sum(w * m for w, m in zip(weights, middles.tolist(), strict=True)) / sum(weights)
    moment = _ZERO + timedelta(milliseconds=round(1000 * middle))
    text = moment.isoformat(timespec="milliseconds")
    return FrameFacts(text, float(end - begin), float(sum(lengths)), night, ids)


def said_of(frames: Frames, registered: Sequence[RegisteredSub]) -> Iterator[str]:
    """Yield how many subs the frames show, and how many were left out for which reason."""
    shown = sum(len(one.ids) for one in frames.facts)
    count = len(frames.facts)
    yield f"{count} frame{'' if count == 1 else 's'} of {shown} of {len(registered)} subs"
    states = [row.facts["state"] for row in registered if row.facts["state"] != SubState.USED]
    if states:
        yield f"left out: {counted(states)}"
