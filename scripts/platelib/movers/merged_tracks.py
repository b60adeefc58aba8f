"""Tracks of both searches of a night, one for each object."""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from platelib.movers.track import Track

_SAME_SIGMA = 5.0


def merge_tracks(
    linked: Sequence[Track], summed: Sequence[Track], minutes: np.ndarray, fwhm_px: float
) -> list[Track]:
    """Join the tracks of linking and of sums along rates.

    Parameters
    ----------
    linked, summed : sequence of Track
    minutes : numpy.ndarray
        ``(n,)`` float64: times of all subs of the night.
    fwhm_px : float
        Of star images. Two tracks are one object if they are within this of each other, and 5
        sigma, in half of the subs of the shorter one.

    Returns
    -------
    list of Track
        The most certain first. An object of both searches has the measures of linking, the lower
        chance, and both names. A sum of what linking has found already is not listed twice, even
        if several paths lie along it.
    """
    merged = list(linked)
    for track in sorted(summed, key=lambda one: (one.chance, -one.total_snr)):
        same = [
            k for k, other in enumerate(merged) if is_same_object(track, other, minutes, fwhm_px)
        ]
        if not same:
            merged.append(track)
        for k in same[:1]:
            names = tuple(dict.fromkeys((*merged[k].found_by, *track.found_by)))
            best = min((merged[k], track), key=lambda one: one.chance)
            merged[k] = replace(
                merged[k],
                chance=best.chance,
                false_alarm_probability=best.false_alarm_probability,
                found_by=names,
            )
    return sorted(merged, key=lambda track: (track.chance, -track.total_snr))


def is_same_object(one: Track, other: Track, minutes: np.ndarray, fwhm_px: float) -> bool:
    """Return whether two tracks lie on each other in half of the subs of the shorter one."""
    short, long = sorted((one, other), key=lambda track: len(track.sub))
    times = minutes[short.sub]
    away = np.hypot(*(short.motion.at(times) - long.motion.at(times)).T)
    error = np.hypot(short.motion.error_at(times), long.motion.error_at(times))
    return bool(np.mean(away <= np.hypot(fwhm_px, _SAME_SIGMA * error)) >= 0.5)
