"""Convolution of an image with a small kernel without gaps, and its effect on noise."""

import numpy as np

from platelib.numerics.kernels import allocating_kernel, kernel
from platelib.numerics.pieces import pieces_of
from platelib.resampling.lanczos import lanczos

BAND_ROWS = 256
"""Rows that are convolved at a time."""
_BLOCK = 512
_PHASES = 1024


def convolved(
    image: np.ndarray, variance: np.ndarray, taps: np.ndarray
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Convolve an image.

    Parameters
    ----------
    image, variance : numpy.ndarray
        ``(ny, nx)`` float32, NaN where there are no data.
    taps : numpy.ndarray
        ``(2 r + 1, 2 r + 1)`` float64 of sum 1; ``taps[r + j, r + i]`` carries the light of a
        pixel to the one that lies j rows up and i columns to the right.

    Returns
    -------
    values, variances : numpy.ndarray
        ``(ny, nx)`` float32. Where part of the kernel lies on gaps or beyond the edge, the rest
        of it is brought to sum 1; NaN where there are no data. The variance is that of
        independent pixels, see `noise_ratio`.
    missing : numpy.ndarray
        ``(ny, nx)`` float32: share of the kernel, by absolute values, that had no data.
    """
    planes = np.empty((3, *image.shape), dtype=np.float32)
    for start in range(0, len(image), BAND_ROWS):
        stop = min(start + BAND_ROWS, len(image))
        convolve_rows(image, variance, taps, (start, stop), planes[:, start:stop])
    values, variances, missing = planes
    return values, variances, missing


def convolve_rows(
    image: np.ndarray,
    variance: np.ndarray,
    taps: np.ndarray,
    rows: tuple[int, int],
    planes: np.ndarray,
) -> None:
    """Convolve rows of an image, so that no copies of all of it are held.

    Parameters
    ----------
    image, variance, taps
        See `convolved`; the variance may be a mapped file of either byte order.
    rows : tuple of int
        First row and the one after the last.
    planes : numpy.ndarray
        ``(3, n, nx)`` float32: the rows of the three results, filled.
    """
    radius = len(taps) // 2
    top, bottom = max(0, rows[0] - radius), min(len(image), rows[1] + radius)
    there = np.isfinite(image[top:bottom])
    filled, noise = (
        np.where(there, plane[top:bottom], np.float32(0)).astype(np.float32, copy=False)
        for plane in (image, variance)
    )
    near_gaps = np.zeros(there.shape, dtype=bool)
    pieces_of(~there).grown_square(radius, near_gaps)
    taps = np.ascontiguousarray(taps[::-1, ::-1])
    sources = filled, noise, there.astype(np.float32), near_gaps.view(np.uint8)
    _convolve(*sources, taps, rows[0] - top, planes[0], planes[1], planes[2])


def noise_ratio(taps: np.ndarray) -> float:
    """Variance of a convolved pixel over that of the image, for noise as the resampling leaves it.

    Neighbours of an integrated channel are alike, because they share raw pixels; so averaging them
    gains less than if they were independent. The correlation is that of Lanczos-3 sampling at
    uniformly distributed phases, the product of one for each axis.
    """
    radius = len(taps) // 2
    phase = (np.arange(_PHASES) + 0.5) / _PHASES
    weights = [lanczos(phase, tap) for tap in range(-2, 4)]
    reach = len(weights)
    shared = [
        sum(float(np.mean(weights[t] * weights[t + d])) for t in range(reach - d))
        for d in range(reach)
    ]
    alike = [shared[abs(d)] / shared[0] for d in range(1 - reach, reach)]
    side = 2 * radius + 1
    padded = np.zeros((side + 2 * reach - 2, side + 2 * reach - 2))
    padded[reach - 1 : reach - 1 + side, reach - 1 : reach - 1 + side] = taps
    total = 0.0
    for j, down in enumerate(alike):
        for i, across in enumerate(alike):
            total += down * across * float((taps * padded[j : j + side, i : i + side]).sum())
    return total


@allocating_kernel
def _convolve(image, variance, there, near_gaps, taps, first, values, variances, missing):
    """Convolve the rows from ``first`` on; a gap is 0 in all of the first three.

    Where no gap is near, the sums of taps are the same in all rows that the kernel is whole in.
    """
    ny, nx = image.shape
    radius = taps.shape[0] // 2
    sums = np.empty((4, _BLOCK))
    usual = np.empty((2, nx))
    ones = np.ones(nx, dtype=np.float32)
    squares, absolutes = taps * taps, np.abs(taps)
    for start in range(0, nx, _BLOCK):
        stop = min(start + _BLOCK, nx)
        usual[:, start:stop] = 0.0
        for j in range(taps.shape[0]):
            _add_row(ones, taps[j], start, stop, usual[0, start:stop])
            _add_row(ones, absolutes[j], start, stop, usual[1, start:stop])
    full = absolutes.sum()
    for y in range(first, first + values.shape[0]):
        above, below = max(0, radius - y), min(taps.shape[0], ny + radius - y)
        for start in range(0, nx, _BLOCK):
            stop = min(start + _BLOCK, nx)
            light, spread, weight, absolute = (
                sums[0, : stop - start],
                sums[1, : stop - start],
                sums[2, : stop - start],
                sums[3, : stop - start],
            )
            sums[:] = 0.0
            whole = below - above == taps.shape[0] and not _any(near_gaps[y, start:stop])
            for j in range(above, below):
                row = y + j - radius
                _add_row(image[row], taps[j], start, stop, light)
                _add_row(variance[row], squares[j], start, stop, spread)
                if not whole:
                    _add_row(there[row], taps[j], start, stop, weight)
                    _add_row(there[row], absolutes[j], start, stop, absolute)
            if whole:
                weight, absolute = usual[0, start:stop], usual[1, start:stop]
            out = y - first
            for x in range(start, stop):
                k = x - start
                missing[out, x] = 1.0 - absolute[k] / full
                usable = there[y, x] > 0 and weight[k] > 0.1
                values[out, x] = light[k] / weight[k] if usable else np.nan
                variances[out, x] = spread[k] / (weight[k] * weight[k]) if usable else np.nan


@kernel
def _any(flags):
    some = False
    for x in range(flags.size):
        some |= flags[x] != 0
    return some


@kernel
def _add_row(line, taps, start, stop, total):
    """Add the columns from ``start`` to ``stop`` of a row by the taps of a row of the kernel."""
    radius = taps.size // 2
    for i in range(taps.size):
        if taps[i] != 0.0:
            shift = i - radius
            first, last = max(start, -shift), min(stop, line.size - shift)
            here, beside = slice(first - start, last - start), slice(first + shift, last + shift)
            _add_scaled(total[here], line[beside], taps[i])


@kernel
def _add_scaled(total, line, factor):
    for x in range(total.size):
        total[x] += factor * line[x]


def warm_up() -> None:
    """Compile the kernels of this module."""
    image = np.ones((5, 6), dtype=np.float32)
    convolved(image, image, np.full((3, 3), 1 / 9))
