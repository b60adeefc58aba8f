"""Detections on a straight trail, such as a satellite's."""

import numpy as np

_ANGLE_STEP = np.radians(3.0)
_WIDTH_PX = 10.0
_FEWEST = 12
_ELONGATED = 0.4
_MOST_TRAILS = 4


def on_trails(
    x: np.ndarray,
    y: np.ndarray,
    angle: np.ndarray,
    ellipticity: np.ndarray,
    shape: tuple[int, int],
) -> np.ndarray:
    """Find detections that line up along their own direction.

    Elongated detections of one direction are spread over the field when the mount trailed, and
    bunched in one line when something crossed the field. Bunches of many more than an even spread
    would give are trails.

    Parameters
    ----------
    x, y : numpy.ndarray
        ``(n,)`` positions, pixels.
    angle : numpy.ndarray
        ``(n,)`` direction of the major axis, radians from the x axis.
    ellipticity : numpy.ndarray
        ``(n,)``, ``1 - b/a``.
    shape : tuple of int
        ``(ny, nx)`` of the image.

    Returns
    -------
    numpy.ndarray
        ``(n,)`` bool.
    """
    trail = np.zeros(len(x), dtype=bool)
    for _ in range(_MOST_TRAILS):
        free = (ellipticity > _ELONGATED) & ~trail
        if free.sum() < _FEWEST:
            break
        direction = _commonest(np.mod(angle[free], np.pi), _ANGLE_STEP, np.pi)
        turn = np.abs(np.mod(angle - direction + np.pi / 2, np.pi) - np.pi / 2)
        aligned = free & (turn < 2 * _ANGLE_STEP)
        if aligned.sum() < _FEWEST:
            break
        # The median direction of those aligned is good to a small part of a degree; a long trail
        # needs that to fall into one bin of distances.
        offset = np.mod(angle[aligned] - direction + np.pi / 2, np.pi) - np.pi / 2
        direction += float(np.median(offset))
        distance = y * np.cos(direction) - x * np.sin(direction)
        place = _commonest(distance[aligned], _WIDTH_PX, None)
        along = free & (np.abs(distance - place) < 1.5 * _WIDTH_PX) & (turn < 4 * _ANGLE_STEP)
        even = aligned.sum() * 3 * _WIDTH_PX / min(shape)
        if along.sum() < _FEWEST + 4 * even:
            break
        trail |= along
    return trail


def _commonest(values: np.ndarray, step: float, period: float | None) -> float:
    """Centre of the window of ``2 step`` that holds the most values, cyclic if ``period``."""
    ordered = np.sort(values)
    if period is not None:
        ordered = np.concatenate([ordered, ordered + period])
    upto = np.searchsorted(ordered, ordered + 2 * step, side="right")
    count = upto - np.arange(len(ordered))
    best = int(np.argmax(count[: len(values)]))
    return float(np.median(ordered[best : upto[best]]))
