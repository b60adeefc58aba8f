"""Kernels that measure what a detection is: extended or not, where, how wide, how bright."""

import numpy as np

from platelib.calibration import BAD, SATURATED
from platelib.detections import FLAG_MASKED, FLAG_SATURATED
from platelib.kernels import kernel
from platelib.sky import interpolate

FWHM_PER_SIGMA = 2.3548200450309493
_WINDOW = 7
_FIRST_SIGMA = 1.5
_THINNEST = 1.2


@kernel
def is_extended(image, cy, cx, sky, noise):
    """Say whether the light is spread as a point source's is, not in one pixel or a thin track."""
    bright = 0
    total = 0.0
    peak = -np.inf
    for y in range(cy - 1, cy + 2):
        for x in range(cx - 1, cx + 2):
            value = image[y, x] - sky
            total += value
            peak = max(peak, value)
            if value > 3 * noise:
                bright += 1
    return bright >= 5 and peak < 0.6 * total


@kernel
def measure_shapes(image, mask, level, candidates, shapes):
    """Measure windowed moments of candidates; return how many have those of a star.

    Parameters
    ----------
    image, mask : numpy.ndarray
        ``(ny, nx)`` float32 and uint8.
    level : numpy.ndarray
        ``(my, mx)`` sky of the cells.
    candidates : numpy.ndarray
        ``(n, 2)`` int32: y, x.
    shapes : numpy.ndarray
        ``(n, 6)`` float64, filled from the top: x, y, FWHM, ellipticity, flags, angle.
    """
    ny, nx = image.shape
    kept = 0
    for c in range(candidates.shape[0]):
        cy = candidates[c, 0]
        cx = candidates[c, 1]
        if min(cy, cx) < _WINDOW + 1 or cy >= ny - _WINDOW - 1 or cx >= nx - _WINDOW - 1:
            continue
        sky = interpolate(level, image.shape, cy, cx)
        box = image[cy - _WINDOW : cy + _WINDOW + 1, cx - _WINDOW : cx + _WINDOW + 1]
        x, y, a, b, c2, ok = _window_moments(box, sky)
        if not ok:
            continue
        half_trace = 0.5 * (a + b)
        root = np.sqrt(0.25 * (a - b) ** 2 + c2 * c2)
        major = half_trace + root
        minor = half_trace - root
        if minor <= 0 or half_trace <= 0:
            continue
        # A particle's track may be long, but it is thinner than optics and pixels can draw.
        if FWHM_PER_SIGMA * np.sqrt(minor) < _THINNEST:
            continue
        shapes[kept, 0] = cx + x
        shapes[kept, 1] = cy + y
        shapes[kept, 2] = FWHM_PER_SIGMA * np.sqrt(np.sqrt(major * minor))
        shapes[kept, 3] = 1.0 - np.sqrt(minor / major)
        shapes[kept, 4] = _flags(mask, cy, cx)
        shapes[kept, 5] = 0.5 * np.arctan2(2 * c2, a - b)
        kept += 1
    return kept


@kernel
def _window_moments(box, sky):
    """Centre, from the middle of the box, and intrinsic moments in a window fitted to the star."""
    x = y = xx = yy = xy = 0.0
    sigma = _FIRST_SIGMA
    for step in range(8):
        total, sx, sy, xx, yy, xy = _weighted_sums(box, sky, x, y, sigma)
        if not total > 0:
            return x, y, 0.0, 0.0, 0.0, False
        dx = 2 * sx / total
        dy = 2 * sy / total
        x += dx
        y += dy
        if abs(x) > 1.5 or abs(y) > 1.5:
            return x, y, 0.0, 0.0, 0.0, False
        xx /= total
        yy /= total
        xy /= total
        if step == 1:
            inverse = 2 / (xx + yy) - 1 / (sigma * sigma)
            if inverse > 0:
                sigma = min(max(np.sqrt(1 / inverse), 0.8), 3.0)
        elif step > 2 and dx * dx + dy * dy < 1e-8:
            break
    a, b, c = _without_window(xx, yy, xy, sigma)
    return x, y, a, b, c, True


@kernel
def _weighted_sums(box, sky, x, y, sigma):
    """Moments of order 0 to 2 about a point under a Gaussian window, which is a product of two."""
    size = 2 * _WINDOW + 1
    weight = np.empty(size)
    slope = -0.5 / (sigma * sigma)
    for u in range(size):
        weight[u] = np.exp(slope * (u - _WINDOW - x) ** 2)
    total = sx = sy = xx = yy = xy = 0.0
    for v in range(size):
        dy = v - _WINDOW - y
        row = row_x = row_xx = 0.0
        for u in range(size):
            dx = u - _WINDOW - x
            w = weight[u] * (box[v, u] - sky)
            row += w
            row_x += w * dx
            row_xx += w * dx * dx
        w = np.exp(slope * dy * dy)
        total += w * row
        sx += w * row_x
        sy += w * dy * row
        xx += w * row_xx
        yy += w * dy * dy * row
        xy += w * dy * row_x
    return total, sx, sy, xx, yy, xy


@kernel
def _without_window(xx, yy, xy, window):
    """Second moments of a Gaussian source from those seen through the window."""
    determinant = xx * yy - xy * xy
    if not determinant > 0:
        return 0.0, 0.0, 0.0
    flat = 1 / (window * window)
    p = yy / determinant - flat
    q = xx / determinant - flat
    r = -xy / determinant
    # A source longer than the window can see gives a negative inverse; hold it at ten windows.
    floor = 0.01 * flat
    half = 0.5 * (p + q)
    root = np.sqrt(0.25 * (p - q) ** 2 + r * r)
    small = half - root
    if small < floor:
        p += floor - small
        q += floor - small
    determinant = p * q - r * r
    if not determinant > 0:
        return 0.0, 0.0, 0.0
    return q / determinant, p / determinant, -r / determinant


@kernel
def _flags(mask, cy, cx):
    flags = 0
    for y in range(cy - 2, cy + 3):
        for x in range(cx - 2, cx + 3):
            if mask[y, x] & SATURATED:
                flags |= FLAG_SATURATED
            if mask[y, x] & BAD:
                flags |= FLAG_MASKED
    return flags


@kernel
def measure_fluxes(image, variance, level, xs, ys, radius, fluxes):
    """Measure flux, its error and the peak above the sky, in circular apertures with soft edges.

    Parameters
    ----------
    image, variance : numpy.ndarray
        ``(ny, nx)`` float32.
    level : numpy.ndarray
        ``(my, mx)`` sky of the cells.
    xs, ys : numpy.ndarray
        ``(n,)`` float64, inside the image.
    radius : float
        Where the weight has fallen to a half, pixels.
    fluxes : numpy.ndarray
        ``(n, 3)`` float64, filled.
    """
    ny, nx = image.shape
    for i in range(xs.size):
        x = xs[i]
        y = ys[i]
        sky = interpolate(level, image.shape, y, x)
        flux = 0.0
        spread = 0.0
        for v in range(max(0, int(y - radius)), min(ny, int(y + radius) + 2)):
            for u in range(max(0, int(x - radius)), min(nx, int(x + radius) + 2)):
                share = min(radius + 0.5 - np.sqrt((u - x) ** 2 + (v - y) ** 2), 1.0)
                if share > 0.0:
                    flux += share * (image[v, u] - sky)
                    spread += share * share * variance[v, u]
        fluxes[i, 0] = flux
        fluxes[i, 1] = np.sqrt(spread)
        fluxes[i, 2] = image[int(y + 0.5), int(x + 0.5)] - sky


def warm_up() -> None:
    """Compile the kernels of this module."""
    y, x = np.mgrid[:20, :20].astype(np.float32)
    image = 100 + 5000 * np.exp(-((x - 10) ** 2 + (y - 9) ** 2) / 4).astype(np.float32)
    image = image.astype(np.float32)
    level = np.full((1, 1), 100, dtype=np.float32)
    is_extended(image, 9, 10, 100.0, 1.0)
    mask = np.zeros(image.shape, dtype=np.uint8)
    measure_shapes(image, mask, level, np.array([[9, 10]], dtype=np.int32), np.empty((1, 6)))
    measure_fluxes(image, image, level, np.ones(1), np.ones(1), 3.0, np.empty((1, 3)))
