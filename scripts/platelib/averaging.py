"""Weighted mean of what rejection kept; how rejections extend to what lies beside them."""

from dataclasses import dataclass

import numpy as np

from platelib.kernels import kernel
from platelib.rejection_exact import HIGH, INVALID, KEPT, LOW

_STRIP = 1024
_CHUNK = 128
"""Strips are long, for the sake of reading; what is struck is looked for in shorter runs."""
_NONE, _ONE, _ABOVE = np.int32(0), np.int32(1), np.int32(1 << 16)
"""Two counts in one number: from 0, and in steps of 65536."""


@dataclass(frozen=True)
class Average:
    """A weighted mean along the stack.

    Attributes
    ----------
    mean, variance : numpy.ndarray
        ``(ny, nx)`` float32; NaN where nothing was kept.
    count, low, high : numpy.ndarray
        ``(ny, nx)`` int16: samples kept, rejected as low, rejected as high.
    tally : numpy.ndarray
        ``(n, 3)`` int64: pixels of each image that have no data, were rejected as low, as high.
    """

    mean: np.ndarray
    variance: np.ndarray
    count: np.ndarray
    low: np.ndarray
    high: np.ndarray
    tally: np.ndarray


def average(
    values: np.ndarray,
    variances: np.ndarray,
    weights: np.ndarray,
    flags: np.ndarray,
    part: tuple[slice, slice] = (slice(None), slice(None)),
) -> Average:
    """Weighted mean of the kept samples, with its propagated variance.

    Parameters
    ----------
    values, variances : numpy.ndarray
        ``(n, ny, nx)`` float32.
    weights : numpy.ndarray
        ``(n,)``, positive.
    flags : numpy.ndarray
        ``(n, ny, nx)`` uint8; only samples flagged 0 take part.
    part : tuple of slice, optional
        Average only these rows and columns, which costs no copy.

    Returns
    -------
    Average
        ``mean = sum(w x) / sum(w)`` and ``variance = sum(w^2 v) / sum(w)^2``.
    """
    (top, bottom, _), (left, right, _) = (
        axis.indices(size) for axis, size in zip(part, values.shape[1:], strict=True)
    )
    shape = (bottom - top, right - left)
    mean, variance = (np.empty(shape, dtype=np.float32) for _ in range(2))
    count, low, high = (np.empty(shape, dtype=np.int16) for _ in range(3))
    tally = np.zeros((len(values), 3), dtype=np.int64)
    result = Average(mean, variance, count, low, high, tally)
    _average(
        np.ascontiguousarray(values),
        np.ascontiguousarray(variances),
        np.asarray(weights, dtype=np.float64),
        np.ascontiguousarray(flags),
        top,
        left,
        result.mean,
        result.variance,
        result.count,
        result.low,
        result.high,
        result.tally,
    )
    return result


@kernel
def _average(
    values, variances, weights, flags, top, first, mean, variance, count, low, high, tally
):
    n = len(values)
    ny, nx = mean.shape
    total, spread, weight = np.empty(_STRIP), np.empty(_STRIP), np.empty(_STRIP)
    struck, missing = np.empty(_STRIP, dtype=np.int32), np.empty(_STRIP, dtype=np.int32)
    for y in range(ny):
        for left in range(0, nx, _STRIP):
            width = min(_STRIP, nx - left)
            for p in range(width):
                total[p] = spread[p] = weight[p] = 0.0
                struck[p] = missing[p] = 0
            for i in range(n):
                for start in range(0, width, _CHUNK):
                    here = slice(start, min(start + _CHUNK, width))
                    there = slice(first + left + here.start, first + left + here.stop)
                    row, noise = values[i, top + y, there], variances[i, top + y, there]
                    marks = flags[i, top + y, there]
                    top_mark = largest(marks)
                    if top_mark == KEPT:
                        _add(row, noise, weights[i], total[here], spread[here], weight[here])
                        continue
                    _add_kept(
                        row, noise, marks, weights[i], total[here], spread[here], weight[here]
                    )
                    tally[i, 0] += _count_invalid(marks, missing[here])
                    if top_mark > INVALID:
                        below, above = _count_struck(marks, struck[here])
                        tally[i, 1] += below
                        tally[i, 2] += above
            for p in range(width):
                x = left + p
                below, above = struck[p] % _ABOVE, struck[p] // _ABOVE
                kept = n - missing[p] - below - above
                mean[y, x] = total[p] / weight[p] if kept else np.nan
                variance[y, x] = spread[p] / (weight[p] * weight[p]) if kept else np.nan
                count[y, x] = kept
                low[y, x] = below
                high[y, x] = above


@kernel
def largest(marks):
    """Return the largest flag of a run, 0 if all samples are kept."""
    found = np.uint8(0)
    for p in range(marks.size):
        found = max(found, marks[p])
    return found


@kernel
def _add(row, noise, factor, total, spread, weight):
    square = factor * factor
    for p in range(row.size):
        total[p] += factor * row[p]
        spread[p] += square * noise[p]
    for p in range(row.size):
        weight[p] += factor


@kernel
def _add_kept(row, noise, marks, factor, total, spread, weight):
    square = factor * factor
    for p in range(row.size):
        total[p] += factor * row[p] if marks[p] == KEPT else 0.0
        spread[p] += square * noise[p] if marks[p] == KEPT else 0.0
    for p in range(row.size):
        weight[p] += factor if marks[p] == KEPT else 0.0


@kernel
def _count_invalid(marks, missing):
    """Count samples without data, by pixel; return how many there are."""
    total = np.int32(0)
    for p in range(marks.size):
        one = _ONE if marks[p] == INVALID else _NONE
        missing[p] += one
        total += one
    return total


@kernel
def _count_struck(marks, struck):
    """Count what was rejected as low and as high, by pixel; return the numbers of both."""
    total = np.int32(0)
    for p in range(marks.size):
        found = (_ONE if marks[p] == LOW else _NONE) + (_ABOVE if marks[p] == HIGH else _NONE)
        struck[p] += found
        total += found
    return total % _ABOVE, total // _ABOVE


def grow(
    values: np.ndarray,
    variances: np.ndarray,
    flags: np.ndarray,
    reach: int,
    threshold: float = 1.0,
) -> np.ndarray:
    """Extend rejections to the faint skirts of trails and cosmic rays.

    A rejected sample with at least one rejected neighbour of the same sign takes along the
    samples within ``reach`` pixels that lie on the same side of the mean of the kept ones by
    more than ``threshold`` of their noise. A pixel of block edges within ``reach`` needs its
    neighbours: blocks overlap by ``reach + 1``.

    Parameters
    ----------
    values, variances : numpy.ndarray
        ``(n, ny, nx)`` float32.
    flags : numpy.ndarray
        ``(n, ny, nx)`` uint8 from :func:`platelib.clipping.reject`.
    reach : int
        Pixels; 0 returns the flags unchanged.
    threshold : float
        In units of the noise.

    Returns
    -------
    numpy.ndarray
        ``(n, ny, nx)`` uint8.
    """
    if reach <= 0:
        return flags
    grown = flags.copy()
    _grow(values, variances, flags, int(reach), float(threshold), grown)
    return grown


@kernel
def _grow(values, variances, flags, reach, threshold, grown):
    n, ny, nx = values.shape
    centre = np.empty((ny, nx), dtype=np.float32)
    known = np.zeros((ny, nx), dtype=np.bool_)
    for i in range(n):
        for y in range(ny):
            for left in range(0, nx, _STRIP):
                right = min(left + _STRIP, nx)
                if largest(flags[i, y, left:right]) < LOW:
                    continue
                for x in range(left, right):
                    if flags[i, y, x] >= LOW and _has_company(flags, i, y, x):
                        _take_along(
                            values, variances, flags, i, y, x, reach, threshold, centre, known,
                            grown,
                        )  # fmt: skip


@kernel
def _has_company(flags, i, y, x):
    """Say whether a neighbour was rejected with the same sign."""
    ny, nx = flags.shape[1:]
    struck = 0
    for v in range(max(0, y - 1), min(ny, y + 2)):
        for u in range(max(0, x - 1), min(nx, x + 2)):
            if flags[i, v, u] == flags[i, y, x]:
                struck += 1
    return struck >= 2


@kernel
def _take_along(values, variances, flags, i, y, x, reach, threshold, centre, known, grown):
    ny, nx = flags.shape[1:]
    sign = 1.0 if flags[i, y, x] == HIGH else -1.0
    for v in range(max(0, y - reach), min(ny, y + reach + 1)):
        for u in range(max(0, x - reach), min(nx, x + reach + 1)):
            if flags[i, v, u] != KEPT or (v - y) ** 2 + (u - x) ** 2 > reach * reach:
                continue
            if not known[v, u]:
                centre[v, u] = _mean_kept(values, flags, v, u)
                known[v, u] = True
            excess = sign * (values[i, v, u] - centre[v, u])
            if excess > threshold * np.sqrt(variances[i, v, u]):
                grown[i, v, u] = flags[i, y, x]


@kernel
def _mean_kept(values, flags, y, x):
    total = 0.0
    kept = 0
    for i in range(len(values)):
        if flags[i, y, x] == KEPT:
            total += values[i, y, x]
            kept += 1
    return total / kept


def warm_up() -> None:
    """Compile the kernels of this module."""
    values = np.ones((3, 2, 2), dtype=np.float32)
    flags = np.zeros(values.shape, dtype=np.uint8)
    average(values, values, np.ones(3), grow(values, values, flags, 1))
