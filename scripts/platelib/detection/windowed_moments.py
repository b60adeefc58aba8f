"""Kernels that measure the position, shape, width and flux of a detection."""

import numpy as np

from platelib.background.measure_mesh import interpolate
from platelib.numerics.constants import FWHM_PER_SIGMA
from platelib.numerics.kernels import kernel

WINDOW = 7
"""Half the side of the box in which a star's shape is measured, pixels."""
BOX = (2 * WINDOW + 1, 2 * WINDOW + 2)
"""Shape of that box: it has a column to spare, which does not count, so that rows are vectors."""
WORK = (5, 2 * WINDOW + 2)
_FIRST_SIGMA = 1.5
_THINNEST = 1.2


@kernel
def is_extended(above, here, below, x, sky, noise):
    """Return whether the light is spread as a point source's is, not in one pixel or a thin track.

    Parameters
    ----------
    above, here, below : numpy.ndarray
        ``(nx,)`` float32: three rows of an image.
    x : int
        The brightest pixel of the middle row.
    sky, noise : float
    """
    bright = 0
    total = 0.0
    peak = -np.inf
    for row in (above, here, below):
        for u in range(x - 1, x + 2):
            value = row[u] - sky
            total += value
            peak = max(peak, value)
            if value > 3 * noise:
                bright += 1
    return bright >= 5 and peak < 0.6 * total


@kernel
def star_shape(box, work):
    """Measure windowed moments.

    Parameters
    ----------
    box : numpy.ndarray
        `BOX` float64: light above the sky, the peak in the middle of the window.
    work : numpy.ndarray
        `WORK` float64, overwritten.

    Returns
    -------
    x, y : float
        Centre, pixels from the middle.
    fwhm, ellipticity : float
        Pixels; ``1 - b/a``.
    angle : float
        Of the major axis, radians from the x axis.
    light : float
        In the window.
    ok : bool
        Whether all this is like a star's.
    """
    x, y, light, a, b, c, ok = _window_moments(box, work)
    half_trace = 0.5 * (a + b)
    root = np.sqrt(0.25 * (a - b) ** 2 + c * c)
    major = half_trace + root
    minor = half_trace - root
    # A particle's track may be long, but it is thinner than optics and pixels can draw.
    if not ok or minor <= 0 or half_trace <= 0 or FWHM_PER_SIGMA * np.sqrt(minor) < _THINNEST:
        return x, y, 0.0, 0.0, 0.0, light, False
    fwhm = FWHM_PER_SIGMA * np.sqrt(np.sqrt(major * minor))
    angle = 0.5 * np.arctan2(2 * c, a - b)
    return x, y, fwhm, 1.0 - np.sqrt(minor / major), angle, light, True


@kernel
def _window_moments(box, work):
    """Centre, from the middle of the box, and intrinsic moments in a window fitted to the star."""
    x = y = total = xx = yy = xy = 0.0
    sigma = _FIRST_SIGMA
    for step in range(8):
        total, sx, sy, xx, yy, xy = _weighted_sums(box, x, y, sigma, work)
        if not total > 0:
            return x, y, total, 0.0, 0.0, 0.0, False
        dx = 2 * sx / total
        dy = 2 * sy / total
        x += dx
        y += dy
        if abs(x) > 1.5 or abs(y) > 1.5:
            return x, y, total, 0.0, 0.0, 0.0, False
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
    return x, y, total, a, b, c, True


@kernel
def _weighted_sums(box, x, y, sigma, work):
    """Moments of order 0 to 2 about a point under a Gaussian window, which is a product of two."""
    along, across, plain, linear, square = work[0], work[1], work[2], work[3], work[4]
    slope = -0.5 / (sigma * sigma)
    _window(slope, x, along)
    _window(slope, y, across)
    work[2:] = 0.0
    for v in range(BOX[0]):
        line = box[v]
        dy = v - WINDOW - y
        w0 = across[v]
        w1 = w0 * dy
        w2 = w1 * dy
        for u in range(BOX[1]):
            plain[u] += w0 * line[u]
            linear[u] += w1 * line[u]
            square[u] += w2 * line[u]
    total = sx = sy = xx = yy = xy = 0.0
    for u in range(BOX[0]):
        dx = u - WINDOW - x
        w0 = along[u]
        w1 = w0 * dx
        total += w0 * plain[u]
        sx += w1 * plain[u]
        xx += w1 * dx * plain[u]
        sy += w0 * linear[u]
        xy += w1 * linear[u]
        yy += w0 * square[u]
    return total, sx, sy, xx, yy, xy


@kernel
def _window(slope, centre, weight):
    """Values of a Gaussian at the pixels of the box; neighbours differ by a ratio, which falls."""
    fall = np.exp(2 * slope)
    ratio = np.exp(slope * (1 - 2 * (WINDOW + centre)))
    value = np.exp(slope * (WINDOW + centre) ** 2)
    for u in range(weight.size):
        weight[u] = value
        value *= ratio
        ratio *= fall


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
def measure_fluxes(squares, centres, shape, planes, xs, ys, radius, share, fluxes):
    """Measure flux, its error and the peak above the sky, in circular apertures with soft edges.

    Parameters
    ----------
    squares : numpy.ndarray
        ``(n, side, side)`` float32: pixels about the stars, at least ``radius + 0.5`` on all sides
        of each; what lies outside of the sub is not looked at.
    centres : numpy.ndarray
        ``(n, 2)`` int32: y, x of the middle of each.
    shape : tuple of int
        ``(ny, nx)`` of the sub.
    planes : tuple of numpy.ndarray
        ``(my, mx)`` float32 of the cells of the sub: the sky, its noise, and the variance that a
        unit of light adds to that.
    xs, ys : numpy.ndarray
        ``(n,)`` float64, inside the sub.
    radius : float
        Where the weight has fallen to a half, pixels.
    share : numpy.ndarray
        ``(side,)`` float64, overwritten.
    fluxes : numpy.ndarray
        ``(n, 3)`` float64, filled.
    """
    ny, nx = shape
    level, noise, unit = planes
    side = squares.shape[1]
    for i in range(xs.size):
        top = centres[i, 0] - side // 2
        left = centres[i, 1] - side // 2
        x = xs[i] - left
        y = ys[i] - top
        sky = interpolate(level, shape, ys[i], xs[i])
        dark = interpolate(noise, shape, ys[i], xs[i]) ** 2
        rate = interpolate(unit, shape, ys[i], xs[i])
        flux = 0.0
        spread = 0.0
        first, last = max(0, -left, int(x - radius)), min(side, nx - left, int(x + radius) + 2)
        for v in range(max(0, -top, int(y - radius)), min(side, ny - top, int(y + radius) + 2)):
            dy2 = (v - y) ** 2
            for u in range(first, last):
                share[u] = max(0.0, min(radius + 0.5 - np.sqrt((u - x) ** 2 + dy2), 1.0))
            line = squares[i, v]
            for u in range(first, last):
                light = line[u] - sky
                flux += share[u] * light
                spread += share[u] * share[u] * (dark + rate * max(light, 0.0))
        fluxes[i, 0] = flux
        fluxes[i, 1] = np.sqrt(spread)
        fluxes[i, 2] = squares[i, int(y + 0.5), int(x + 0.5)] - sky


def warm_up() -> None:
    """Compile the kernels of this module."""
    y, x = np.mgrid[:20, :20].astype(np.float32)
    image = 5000 * np.exp(-((x - 10) ** 2 + (y - 9) ** 2) / 4)
    rows = image.astype(np.float32)
    is_extended(rows[8], rows[9], rows[10], 10, 0.0, 1.0)
    star_shape(image[2:17, 3:19].astype(np.float64), np.empty(WORK))
    level = np.ones((1, 1), dtype=np.float32)
    centres = np.array([[9, 10]], dtype=np.int32)
    squares = np.ascontiguousarray(rows[None, 3:16, 4:17])
    place = np.full(1, 9.0)
    planes = (level, level, level)
    room, fluxes = np.empty(squares.shape[1]), np.empty((1, 3))
    measure_fluxes(squares, centres, image.shape, planes, place, place, 3.0, room, fluxes)
