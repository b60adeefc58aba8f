"""Which subs a frame shows: each alone, or those of a bin in time."""

from collections.abc import Sequence

import numpy as np

LENGTHS_S = (0.0, 300.0, 600.0, 900.0, 1200.0, 1800.0, 3600.0, 7200.0, 14400.0, 86400.0)
"""Lengths of bins to choose from, s; 0 shows each sub alone, the last one each night as a whole."""


def time_bins(
    nights: Sequence[str], middles_s: Sequence[float], length_s: float
) -> list[list[int]]:
    """Return the subs of each frame, in order of time.

    Parameters
    ----------
    nights : sequence of str
        Night of each sub. No bin goes beyond a night.
    middles_s : sequence of float
        Middle of each exposure, seconds from any zero; NaN if unknown: such a sub stands alone,
        before the others of its night.
    length_s : float
        Length of a bin, s. Bins of a night begin with its first sub. 0: each sub is a frame.

    Returns
    -------
    list of list of int
        Numbers of subs by frame; equal times stay in the order given.

    Raises
    ------
    ValueError
        If the length is negative or not finite.
    """
    if not (np.isfinite(length_s) and length_s >= 0):
        msg = f"a bin of {length_s} s: the length must be 0 or more"
        raise ValueError(msg)
    frames: list[list[int]] = []
    for night in sorted(set(nights)):
        own = [k for k, other in enumerate(nights) if other == night]
        frames += [[k] for k in own if np.isnan(middles_s[k])]
        dated = sorted((k for k in own if not np.isnan(middles_s[k])), key=lambda k: middles_s[k])
        last = -1.0
        for k in dated:
            number = (middles_s[k] - middles_s[dated[0]]) // length_s if length_s else last + 1
            if number != last:
                frames.append([])
            frames[-1].append(k)
            last = number
    return frames


def shortest_length_s(nights: Sequence[str], middles_s: Sequence[float], most_frames: int) -> float:
    """Return the shortest length of bins that gives no more frames than wanted, s.

    It is one of ``LENGTHS_S``. If there are more nights than that, each night is a frame.
    """
    return next(
        (
            length
            for length in LENGTHS_S
            if len(time_bins(nights, middles_s, length)) <= most_frames
        ),
        LENGTHS_S[-1],
    )
