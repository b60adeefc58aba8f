"""Sky, noise and stars of one calibrated sub.

The detector looks for local maxima of the image smoothed by a small Gaussian, then measures each
in a Gaussian window that adapts to its width (windowed moments as in Bertin & Arnouts 1996, A&AS
117, 393, and the SExtractor manual's XWIN_IMAGE). What is sharper than a star can be - hot pixels,
cosmic rays - is refused before it can mislead the matching of star patterns.
"""

from dataclasses import dataclass

import numpy as np

from platelib.calibration import BAD, SATURATED
from platelib.kernels import kernel
from platelib.trails import on_trails

FLAG_SATURATED, FLAG_MASKED, FLAG_SHAPE = 1, 2, 4
FWHM_PER_SIGMA = 2.3548200450309493
_WINDOW = 7
_SMOOTHING = 1.2
_SKIRT = 3
_THINNEST = 1.2

STAR = np.dtype(
    [
        ("x", "f8"),
        ("y", "f8"),
        ("flux", "f8"),
        ("flux_error", "f8"),
        ("peak", "f8"),
        ("fwhm", "f8"),
        ("ellipticity", "f8"),
        ("flags", "i2"),
    ]
)
"""A star: 0-based position in raw pixels, flux and error in the unit of the image, peak above the
sky, FWHM in pixels, ellipticity ``1 - b/a``, flags (1 saturated, 2 bad pixel inside, 4 shape unlike
the other stars of the sub)."""


@dataclass(frozen=True)
class Mesh:
    """Sky level and noise in a mesh of cells.

    Attributes
    ----------
    level, noise : numpy.ndarray
        ``(my, mx)`` float32, in the unit of the image; NaN where a cell has no data.
    shape : tuple of int
        ``(ny, nx)`` of the image.
    """

    level: np.ndarray
    noise: np.ndarray
    shape: tuple[int, int]

    def centres(self) -> tuple[np.ndarray, np.ndarray]:
        """Return x and y, ``(my, mx)`` float64, of the centres of the cells."""
        my, mx = self.level.shape
        y = (np.arange(my) + 0.5) * self.shape[0] / my - 0.5
        x = (np.arange(mx) + 0.5) * self.shape[1] / mx - 0.5
        return np.meshgrid(x, y)


def sky_mesh(image: np.ndarray, cell_px: int) -> Mesh:
    """Measure sky level and noise in cells.

    Parameters
    ----------
    image : numpy.ndarray
        ``(ny, nx)`` float32.
    cell_px : int
        Side of a cell, pixels.

    Returns
    -------
    Mesh
        Median of each cell after clipping what is brighter than 3 sigma, with sigma from the half
        of the values below the median, which stars do not touch. Pixels in the skirts of what is
        brighter are left out too, unless little else is there.
    """
    ny, nx = image.shape
    level = np.empty((max(1, ny // cell_px), max(1, nx // cell_px)), dtype=np.float32)
    noise = np.empty_like(level)
    _sky_mesh(image, level, noise)
    return Mesh(_filled(level), _filled(noise), image.shape)


def _filled(plane: np.ndarray) -> np.ndarray:
    if np.isnan(plane).all():
        return plane
    return np.where(np.isnan(plane), np.float32(np.nanmedian(plane)), plane)


@kernel
def _sky_mesh(image, level, noise):
    ny, nx = image.shape
    my, mx = level.shape
    buffer = np.empty((ny // my + 2) * (nx // mx + 2), dtype=np.float32)
    for j in range(my):
        for i in range(mx):
            cell = (j * ny // my, (j + 1) * ny // my, i * nx // mx, (i + 1) * nx // mx)
            level[j, i] = np.nan
            noise[j, i] = np.nan
            # A look at every fourth row tells what is bright.
            count = _gather(image, cell, 4 if cell[1] - cell[0] >= 32 else 1, np.inf, buffer)
            if count < 16:
                continue
            level[j, i], noise[j, i] = _clipped(buffer[:count])
            limit = level[j, i] + 3 * noise[j, i]
            dark = _gather(image, cell, 1, limit, buffer)
            if dark >= 16 and 8 * dark > (cell[1] - cell[0]) * (cell[3] - cell[2]):
                level[j, i], noise[j, i] = _clipped(buffer[:dark])


@kernel
def _gather(image, cell, step, limit, buffer):
    """Copy every other pixel of a cell that is not within three pixels of one above the limit."""
    ny, nx = image.shape
    count = 0
    for y in range(cell[0], cell[1], step):
        up, down = max(y - _SKIRT, 0), min(y + _SKIRT, ny - 1)
        for x in range(cell[2] + (y // step & 1), cell[3], 2):
            left, right = max(x - _SKIRT, 0), min(x + _SKIRT, nx - 1)
            near = max(max(image[up, x], image[down, x]), max(image[y, left], image[y, right]))
            near = max(near, max(max(image[up, left], image[up, right]), image[down, left]))
            if np.isnan(image[y, x]) or max(near, image[down, right]) > limit:
                continue
            buffer[count] = image[y, x]
            count += 1
    return count


@kernel
def _clipped(pixels):
    """Median and noise after clipping what is bright."""
    values = np.sort(pixels)
    top = values.size
    for _ in range(6):
        centre = values[top // 2]
        width = centre - values[int(0.1587 * top)]
        kept = np.searchsorted(values, centre + np.float32(3.0) * width, side="right")
        if kept >= top or kept < 16:
            break
        top = kept
    return values[top // 2], values[top // 2] - values[int(0.1587 * top)]


@kernel
def _interpolate(mesh, ny, nx, y, x):
    """Bilinear value of a mesh at a pixel."""
    my, mx = mesh.shape
    v = min(max((y + 0.5) * my / ny - 0.5, 0.0), my - 1.0)
    u = min(max((x + 0.5) * mx / nx - 0.5, 0.0), mx - 1.0)
    j = min(int(v), max(my - 2, 0))
    i = min(int(u), max(mx - 2, 0))
    j1 = min(j + 1, my - 1)
    i1 = min(i + 1, mx - 1)
    fy = v - j
    fx = u - i
    upper = mesh[j, i] * (1 - fx) + mesh[j, i1] * fx
    lower = mesh[j1, i] * (1 - fx) + mesh[j1, i1] * fx
    return upper * (1 - fy) + lower * fy


def find_stars(
    image: np.ndarray,
    variance: np.ndarray,
    mask: np.ndarray,
    mesh: Mesh,
    detection_sigma: float,
    aperture_fwhm: float,
    max_stars: int,
) -> np.ndarray:
    """Find and measure the stars of a calibrated sub.

    Parameters
    ----------
    image, variance : numpy.ndarray
        ``(ny, nx)`` float32; bad pixels of ``image`` mended.
    mask : numpy.ndarray
        ``(ny, nx)`` uint8: 1 bad, 2 saturated.
    mesh : Mesh
        Sky and noise of the image.
    detection_sigma : float
        Peak of the smoothed image above the sky, in units of its noise.
    aperture_fwhm : float
        Radius of the aperture in units of the sub's own median FWHM: seeing then takes the same
        share of every star's light out of it in every sub.
    max_stars : int
        The brightest so many are kept.

    Returns
    -------
    numpy.ndarray
        ``(n,)`` of dtype ``STAR``, brightest first; positions rounded to 1e-4 px and fluxes to six
        digits, so that the last bits of transcendental functions do not travel on.
    """
    taps = np.exp(-0.5 * (np.arange(3) / _SMOOTHING) ** 2)
    taps = (taps / (taps[0] + 2 * taps[1] + 2 * taps[2])).astype(np.float32)
    candidates = np.empty((0, 2), dtype=np.int32)
    count = 0
    while count == len(candidates):
        candidates = np.empty((4 * len(candidates) + 8 * max_stars + 1000, 2), dtype=np.int32)
        count = _find(image, mesh.level, mesh.noise, taps, float(detection_sigma), candidates)
    stars = np.zeros(count, dtype=STAR)
    shapes = np.empty((count, 6))
    kept = _measure(image, mask, mesh.level, candidates[:count], shapes)
    shapes = shapes[:kept]
    x, y, ellipticity, angle = (shapes[:, k] for k in (0, 1, 3, 5))
    shapes = shapes[~on_trails(x, y, angle, ellipticity, image.shape)]
    kept = len(shapes)
    stars = stars[:kept]
    stars["x"], stars["y"] = np.round(shapes[:, 0], 4), np.round(shapes[:, 1], 4)
    stars["fwhm"], stars["ellipticity"] = np.round(shapes[:, 2], 3), np.round(shapes[:, 3], 3)
    stars["flags"] = shapes[:, 4].astype(np.int16)
    if not kept:
        return stars
    usual = stars[stars["flags"] == 0] if (stars["flags"] == 0).any() else stars
    fwhm = float(np.median(usual["fwhm"]))
    radius = min(max(aperture_fwhm * fwhm, 3.0), 20.0)
    fluxes = np.empty((kept, 3))
    _apertures(image, variance, mesh.level, stars["x"].copy(), stars["y"].copy(), radius, fluxes)
    for column, name in enumerate(("flux", "flux_error", "peak")):
        stars[name] = significant(fluxes[:, column], 6)
    stars = stars[stars["flux"] > 0]
    thin = _minor_fwhm(stars) < 0.6 * np.median(_minor_fwhm(usual))
    odd = thin | (stars["fwhm"] > 1.8 * fwhm)
    odd |= stars["ellipticity"] > np.median(usual["ellipticity"]) + 0.3
    stars["flags"] |= np.where(odd, FLAG_SHAPE, 0).astype(np.int16)
    order = np.lexsort((stars["x"], stars["y"], -stars["flux"]))
    return stars[order][:max_stars]


def _minor_fwhm(stars: np.ndarray) -> np.ndarray:
    return stars["fwhm"] * np.sqrt(1 - stars["ellipticity"])


def significant(values: np.ndarray, digits: int) -> np.ndarray:
    """Round to so many significant digits."""
    values = np.asarray(values, dtype=np.float64)
    size = np.where((values == 0) | ~np.isfinite(values), 1.0, np.abs(values))
    places = digits - 1 - np.floor(np.log10(size)).astype(int)
    factor = np.array([float(f"1e{place}") for place in places.ravel()]).reshape(values.shape)
    return np.round(values * factor) / factor


@kernel
def _find(image, level, noise, taps, threshold, candidates):
    """Extended local maxima of the smoothed image; returns how many, at most what has room."""
    ny, nx = image.shape
    column = np.zeros(nx, dtype=np.float32)
    smooth = np.zeros((3, nx), dtype=np.float32)
    gain = taps[0] * taps[0] + 2 * (taps[1] * taps[1] + taps[2] * taps[2])
    count = 0
    for y in range(2, ny - 2):
        for x in range(nx):
            column[x] = (
                taps[0] * image[y, x]
                + taps[1] * (image[y - 1, x] + image[y + 1, x])
                + taps[2] * (image[y - 2, x] + image[y + 2, x])
            )
        row = smooth[y % 3]
        for x in range(2, nx - 2):
            row[x] = (
                taps[0] * column[x]
                + taps[1] * (column[x - 1] + column[x + 1])
                + taps[2] * (column[x - 2] + column[x + 2])
            )
        if y < 4:
            continue
        above, here, below = smooth[(y - 2) % 3], smooth[(y - 1) % 3], row
        for x in range(3, nx - 3):
            q = here[x]
            if q < here[x - 1] or q <= here[x + 1] or q < above[x] or q <= below[x]:
                continue
            if q < above[x - 1] or q < above[x + 1] or q <= below[x - 1] or q <= below[x + 1]:
                continue
            sky = _interpolate(level, ny, nx, y - 1, x)
            sigma = _interpolate(noise, ny, nx, y - 1, x)
            if q - sky <= threshold * gain * sigma or not _is_extended(image, y - 1, x, sky, sigma):
                continue
            if count == candidates.shape[0]:
                return count
            candidates[count, 0] = y - 1
            candidates[count, 1] = x
            count += 1
    return count


@kernel
def _measure(image, mask, level, candidates, shapes):
    """Windowed moments; ``shapes`` gets x, y, FWHM, ellipticity, flags, angle; how many stars."""
    ny, nx = image.shape
    kept = 0
    for c in range(candidates.shape[0]):
        cy = candidates[c, 0]
        cx = candidates[c, 1]
        if min(cy, cx) < _WINDOW + 1 or cy >= ny - _WINDOW - 1 or cx >= nx - _WINDOW - 1:
            continue
        sky = _interpolate(level, ny, nx, cy, cx)
        x, y, a, b, c2, ok = _window_moments(image, cy, cx, sky)
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
        fwhm = FWHM_PER_SIGMA * np.sqrt(np.sqrt(major * minor))
        shapes[kept, 0] = x
        shapes[kept, 1] = y
        shapes[kept, 2] = fwhm
        shapes[kept, 3] = 1.0 - np.sqrt(minor / major)
        shapes[kept, 4] = _flags(mask, cy, cx)
        shapes[kept, 5] = 0.5 * np.arctan2(2 * c2, a - b)
        kept += 1
    return kept


@kernel
def _is_extended(image, cy, cx, sky, noise):
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
def _window_moments(image, cy, cx, sky):
    """Centre and intrinsic second moments in a Gaussian window that is fitted to the star."""
    x = float(cx)
    y = float(cy)
    window = 1.5
    xx = yy = xy = 0.0
    for step in range(8):
        total = sx = sy = xx = yy = xy = 0.0
        slope = -0.5 / (window * window)
        for v in range(cy - _WINDOW, cy + _WINDOW + 1):
            for u in range(cx - _WINDOW, cx + _WINDOW + 1):
                dx = u - x
                dy = v - y
                w = np.exp(slope * (dx * dx + dy * dy)) * (image[v, u] - sky)
                total += w
                sx += w * dx
                sy += w * dy
                xx += w * dx * dx
                yy += w * dy * dy
                xy += w * dx * dy
        if not total > 0:
            return x, y, 0.0, 0.0, 0.0, False
        dx = 2 * sx / total
        dy = 2 * sy / total
        x += dx
        y += dy
        if abs(x - cx) > 1.5 or abs(y - cy) > 1.5:
            return x, y, 0.0, 0.0, 0.0, False
        xx /= total
        yy /= total
        xy /= total
        if step == 1:
            inverse = 2 / (xx + yy) - 1 / (window * window)
            if inverse > 0:
                window = min(max(np.sqrt(1 / inverse), 0.8), 3.0)
        elif step > 2 and dx * dx + dy * dy < 1e-8:
            break
    a, b, c = _without_window(xx, yy, xy, window)
    return x, y, a, b, c, True


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
def _apertures(image, variance, level, xs, ys, radius, fluxes):
    """Flux, its error and the peak above the sky, in circular apertures with soft edges."""
    ny, nx = image.shape
    for i in range(xs.size):
        x = xs[i]
        y = ys[i]
        sky = _interpolate(level, ny, nx, y, x)
        flux = 0.0
        spread = 0.0
        for v in range(max(0, int(y - radius)), min(ny, int(y + radius) + 2)):
            for u in range(max(0, int(x - radius)), min(nx, int(x + radius) + 2)):
                distance = np.sqrt((u - x) ** 2 + (v - y) ** 2)
                share = min(max(radius + 0.5 - distance, 0.0), 1.0)
                if share > 0.0:
                    flux += share * (image[v, u] - sky)
                    spread += share * share * variance[v, u]
        fluxes[i, 0] = flux
        fluxes[i, 1] = np.sqrt(spread)
        fluxes[i, 2] = image[int(y + 0.5), int(x + 0.5)] - sky


def warm_up() -> None:
    """Compile the kernels of this module."""
    y, x = np.mgrid[:48, :48].astype(np.float32)
    image = 100 + 5000 * np.exp(-((x - 24) ** 2 + (y - 23) ** 2) / 4).astype(np.float32)
    image = image.astype(np.float32)
    mask = np.zeros(image.shape, dtype=np.uint8)
    find_stars(image, image, mask, sky_mesh(image, 16), 6.0, 2.5, 10)
