"""The part of the grid that pictures show of a channel, chosen with the grid."""

from collections.abc import Mapping, Sequence

from platefiles.config.lock_file import Lock, Part
from platefiles.registration.match_subs import SubMatcher
from platefiles.settings.registration import Registration
from platefiles.subs.measures import MeasuredSub
from platefiles.subs.saturation_levels import with_agreed_levels
from platelib.registration.common_coverage import Footprint, common_part
from platelib.registration.match import NoMatch

MOST_SUBS = 200
"""Subs of a channel that are matched, evenly distributed in time."""


def choose_crop(
    by_channel: Mapping[str, Sequence[MeasuredSub]],
    lock: Lock,
    settings: Registration,
    max_ellipticity: float,
) -> dict[str, Part]:
    """Return the part of each channel that at least half of its exposure covers.

    Parameters
    ----------
    by_channel : mapping of str to sequence of MeasuredSub
        All subs.
    lock : Lock
        Parts that it has are kept.
    settings : Registration
    max_ellipticity : float
        Subs with a larger ellipticity count only if a channel has no others.

    Returns
    -------
    dict of str to Part
        Without channels of which no sub matches the reference: they are left for a later run.
    """
    found = dict(lock.crop or {})
    shape = (lock.height_px, lock.width_px)
    everyone = (sub for subs in by_channel.values() for sub in subs)
    reference = next((sub for sub in everyone if sub.id == lock.reference and sub.good), None)
    if reference is None:
        return found
    matcher = SubMatcher(reference, lock, settings)
    for channel, subs in by_channel.items():
        if channel not in found:
            part = common_part(_footprints(matcher, subs, max_ellipticity), shape)
            if part is not None:
                rows, columns = part
                found[channel] = Part(
                    (columns.start + 1, columns.stop), (rows.start + 1, rows.stop)
                )
    return found


def _footprints(
    matcher: SubMatcher, subs: Sequence[MeasuredSub], max_ellipticity: float
) -> list[Footprint]:
    good = [sub for sub in with_agreed_levels(list(subs)) if sub.good]
    good.sort(key=lambda sub: (sub.facts["start_utc"], sub.id))
    good = [sub for sub in good if sub.facts["ellipticity"] <= max_ellipticity] or good
    count = min(len(good), MOST_SUBS)
    footprints = []
    for number in range(count):
        sub = good[number * len(good) // count]
        try:
            transform = matcher.match(sub).match.transform
        except NoMatch:
            continue
        facts = sub.facts
        size = (facts["height_px"], facts["width_px"])
        footprints.append(Footprint(transform, size, max(facts["exposure_s"], 1e-6)))
    return footprints
