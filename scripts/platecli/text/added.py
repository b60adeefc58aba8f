"""What a run added to each channel: exposure, depth, and the new subs that were left out."""

import math
import os
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from contextlib import suppress
from typing import Any, NamedTuple

from platecli.text.outlook import Outlook
from platecli.text.summary import Row, hours_minutes, read_rows
from platefiles.core.errors import UserError
from platefiles.digests.previous_pictures import keep_subs, kept_subs
from platelib.registration.sub_state import SubState

Depths = Mapping[str, Mapping[str, Any]]
"""Rows of the product of `measure_depth`, by channel."""

_SAME_S = 1.0


class Before(NamedTuple):
    """A project before a run.

    Attributes
    ----------
    subs : sequence of Row
        The table of subs of the last finished run; none before the first.
    depths : mapping
        Depth of the channels, if the run measures it again.
    """

    subs: Sequence[Row]
    depths: Depths


def before_run(outlook: Outlook) -> Before:
    """Return what a run is going to change, and keep the table of subs until it is finished.

    Parameters
    ----------
    outlook : Outlook
        Of the run. The working directory must be the one that its results lie in.
    """
    paths = outlook.plan.paths
    making = {product.path for product in outlook.to_make}
    if paths.subs in making:
        with suppress(OSError):  # a full disk: what is read will do
            keep_subs(outlook.plan)
    kept = read_rows(kept_subs(outlook.plan))  # of a run that was stopped, too
    return Before(kept or outlook.subs, _depths(paths.depth) if paths.depth in making else {})


def added_lines(before: Before, after: Outlook) -> list[str]:
    """Return two lines for each channel whose subs changed; none after a first run.

    Parameters
    ----------
    before : Before
        From `before_run`.
    after : Outlook
        After the run. The working directory must be the one that the results lie in.
    """
    depths = before.depths
    if not before.subs:
        return []
    path = after.plan.paths.depth
    now = _depths(path) if depths and path not in after.stale else {}
    channels = list(dict.fromkeys(row["channel"] for row in after.subs if row["channel"]))
    width = max(map(len, channels), default=0)
    lines = []
    for channel in channels:
        old, new = (_of(outlook.subs, channel) for outlook in (before, after))
        if _states(old) == _states(new):
            continue
        depth = _depth_words(old, new, depths.get(channel), now.get(channel))
        exposures = " -> ".join(hours_minutes(_seconds(rows)) for rows in (old, new))
        lines.append(f"  {channel:<{width}}  {exposures}{depth}")
        lines.append(f"  {'':<{width}}  {_subs_words(old, new)}")
    return lines


def _of(rows: Sequence[Row], channel: str) -> dict[str, Row]:
    return {row["id"]: row for row in rows if row["channel"] == channel}


def _states(rows: Mapping[str, Row]) -> dict[str, str]:
    return {name: row["state"] for name, row in rows.items()}


def _used(rows: Mapping[str, Row]) -> Iterator[Row]:
    return (row for row in rows.values() if row["state"] == SubState.USED)


def _seconds(rows: Mapping[str, Row]) -> float:
    return sum(_number(row, "exposure_s") or 0.0 for row in _used(rows))


def _number(row: Row, key: str) -> float:
    try:
        return float(row.get(key, ""))
    except ValueError:
        return math.nan


def _depth_words(
    old: Mapping[str, Row],
    new: Mapping[str, Row],
    depth: Mapping[str, Any] | None,
    now: Mapping[str, Any] | None,
) -> str:
    """Return the limits, if both belong to these subs; else the noise of the sky."""
    if depth is not None and now is not None and _fits(depth, old) and _fits(now, new):
        limits = depth["limit_mag"], now["limit_mag"]
        if all(math.isfinite(limit) for limit in limits):
            if all(math.isfinite(one["zero_point_mag"]) for one in (depth, now)):
                return f", limit {limits[0]:.2f} -> {limits[1]:.2f} mag"
            return f", limit {limits[1] - limits[0]:+.2f} mag (no zero point)"
    noises = _noise(old), _noise(new)
    if not all(0 < noise < math.inf for noise in noises):
        return ""
    gain = 2.5 * math.log10(noises[0] / noises[1])
    return f", sky noise {noises[0]:.3g} -> {noises[1]:.3g} a pixel, {gain:+.2f} mag"


def _fits(depth: Mapping[str, Any], rows: Mapping[str, Row]) -> bool:
    """Return whether a depth was measured with these subs."""
    count = sum(1 for _ in _used(rows))
    return depth["subs"] == count and abs(depth["exposure_s"] - _seconds(rows)) < _SAME_S


def _noise(rows: Mapping[str, Row]) -> float:
    """Return the noise of the sky in the mean, in the unit of the channel, as subs have it."""
    weights = [_number(row, "weight") for row in _used(rows)]
    noises = [_number(row, "noise_rate") for row in _used(rows)]
    total = sum(weights)
    if not total > 0:
        return math.nan
    variance = sum((w * noise) ** 2 for w, noise in zip(weights, noises, strict=True))
    return math.sqrt(variance) / total


def _subs_words(old: Mapping[str, Row], new: Mapping[str, Row]) -> str:
    added = [row for name, row in new.items() if name not in old]
    out = Counter(row["state"] for row in added if row["state"] != SubState.USED)
    words = f"{len(added)} new sub{'' if len(added) == 1 else 's'}"
    if added:
        reasons = ", ".join(f"{count} {state}" for state, count in sorted(out.items()))
        words += f", {out.total()} left out: {reasons}" if out else ", all used"
    kept = {row["id"] for row in _used(new)}
    lost = sum(row["id"] not in kept for row in _used(old))
    if lost:
        words += f"; {lost} of the earlier ones no longer used"
    known = {row["id"] for row in _used(old)}
    back = sum(row["id"] in old and row["id"] not in known for row in _used(new))
    if back:
        words += f"; {back} of the earlier ones used again"
    return words


def _depths(path: str) -> Depths:
    from platefiles.photometry.depth_table import read_depths  # astropy, which few runs need here

    if not os.path.isfile(path):
        return {}
    try:
        return {row["channel"]: row for row in read_depths(path)}
    except (OSError, KeyError, TypeError, ValueError, UserError):
        return {}
