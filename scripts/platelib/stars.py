"""Sky, noise and stars of one calibrated sub.

The detector looks for local maxima of the image smoothed by a small Gaussian, then measures each
in a Gaussian window that adapts to its width (windowed moments as in Bertin & Arnouts 1996, A&AS
117, 393, and the SExtractor manual's XWIN_IMAGE). What is sharper than a star can be - hot pixels,
cosmic rays - is refused before it can mislead the matching of star patterns.
"""

import numpy as np

from platelib.detections import FLAG_SHAPE, STAR, Mesh
from platelib.kernels import kernel
from platelib.moments import is_extended, measure_fluxes, measure_shapes
from platelib.sky import interpolate, sky_mesh
from platelib.trails import on_trails

_SMOOTHING = 1.2


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
    stars, fwhm = _shaped(image, mask, mesh, _candidates(image, mesh, detection_sigma, max_stars))
    if not len(stars):
        return stars
    radius = min(max(aperture_fwhm * fwhm, 3.0), 20.0)
    fluxes = np.empty((len(stars), 3))
    x, y = np.ascontiguousarray(stars["x"]), np.ascontiguousarray(stars["y"])
    measure_fluxes(image, variance, mesh.level, x, y, radius, fluxes)
    for column, name in enumerate(("flux", "flux_error", "peak")):
        stars[name] = significant(fluxes[:, column], 6)
    stars = stars[stars["flux"] > 0]
    order = np.lexsort((stars["x"], stars["y"], -stars["flux"]))
    return stars[order][:max_stars]


def _candidates(
    image: np.ndarray, mesh: Mesh, detection_sigma: float, max_stars: int
) -> np.ndarray:
    """Return y and x, ``(n, 2)`` int32, of all extended local maxima above the limit."""
    taps = np.exp(-0.5 * (np.arange(3) / _SMOOTHING) ** 2)
    taps = (taps / (taps[0] + 2 * taps[1] + 2 * taps[2])).astype(np.float32)
    # Smoothing white noise by the taps each way leaves so much of it.
    gain = taps[0] ** 2 + 2 * (taps[1] ** 2 + taps[2] ** 2)
    limits = mesh.level + np.float32(detection_sigma * gain) * mesh.noise
    found = np.empty((0, 2), dtype=np.int32)
    count = 0
    while count == len(found):
        found = np.empty((4 * len(found) + 8 * max_stars + 1000, 2), dtype=np.int32)
        count = _find(image, mesh.level, mesh.noise, limits, taps, found)
    return found[:count]


def _shaped(
    image: np.ndarray, mask: np.ndarray, mesh: Mesh, candidates: np.ndarray
) -> tuple[np.ndarray, float]:
    """Return stars with position, shape and flags, less what lies on trails, and the usual FWHM."""
    shapes = np.empty((len(candidates), 6))
    shapes = shapes[: measure_shapes(image, mask, mesh.level, candidates, shapes)]
    x, y, ellipticity, angle = (shapes[:, k] for k in (0, 1, 3, 5))
    shapes = shapes[~on_trails(x, y, angle, ellipticity, image.shape)]
    stars = np.zeros(len(shapes), dtype=STAR)
    stars["x"], stars["y"] = np.round(shapes[:, 0], 4), np.round(shapes[:, 1], 4)
    stars["fwhm"], stars["ellipticity"] = np.round(shapes[:, 2], 3), np.round(shapes[:, 3], 3)
    stars["flags"] = shapes[:, 4].astype(np.int16)
    if not len(stars):
        return stars, np.nan
    usual = stars[stars["flags"] == 0] if (stars["flags"] == 0).any() else stars
    fwhm = float(np.median(usual["fwhm"]))
    odd = _minor_fwhm(stars) < 0.6 * np.median(_minor_fwhm(usual))
    odd |= stars["fwhm"] > 1.8 * fwhm
    odd |= stars["ellipticity"] > np.median(usual["ellipticity"]) + 0.3
    stars["flags"] |= np.where(odd, FLAG_SHAPE, 0).astype(np.int16)
    return stars, fwhm


def _minor_fwhm(stars: np.ndarray) -> np.ndarray:
    return stars["fwhm"] * np.sqrt(1 - stars["ellipticity"])


def significant(values: np.ndarray, digits: int) -> np.ndarray:
    """Round to so many significant digits."""
    values = np.asarray(values, dtype=np.float64)
    size = np.where((values == 0) | ~np.isfinite(values), 1.0, np.abs(values))
    places = digits - 1 - np.floor(np.log10(size)).astype(int)
    # Powers as Python reads them: those of the processor's library may miss the last bit.
    lowest = int(places.min(initial=0))
    powers = [float(f"1e{place}") for place in range(lowest, int(places.max(initial=0)) + 1)]
    factor = np.array(powers)[places - lowest]
    return np.round(values * factor) / factor


@kernel
def _find(image, level, noise, limits, taps, candidates):
    """Extended local maxima of the smoothed image; returns how many, at most what has room."""
    ny, nx = image.shape
    stretched = _stretched(limits, nx)
    column = np.empty(nx, dtype=np.float32)
    smooth = np.zeros((3, nx), dtype=np.float32)
    limit = np.empty(nx, dtype=np.float32)
    # Flags of eight pixels are looked at as one word: nearly all of them are zero.
    words = np.zeros((nx + 7) // 8, dtype=np.uint64)
    over = words.view(np.uint8)[:nx]
    count = 0
    for y in range(2, ny - 2):
        _smooth_row(image, y, taps, column, smooth[y % 3])
        if y < 4:
            continue
        above, here, below = smooth[(y - 2) % 3], smooth[(y - 1) % 3], smooth[y % 3]
        _limit_row(stretched, (y - 0.5) * limits.shape[0] / ny - 0.5, limit)
        _mark_above(here, limit, over)
        for word in range(words.size):
            if words[word] == 0:
                continue
            for x in range(max(8 * word, 3), min(8 * word + 8, nx - 3)):
                if over[x] == 0 or not _is_peak(above, here, below, x):
                    continue
                sky = interpolate(level, image.shape, y - 1, x)
                sigma = interpolate(noise, image.shape, y - 1, x)
                if not is_extended(image, y - 1, x, sky, sigma):
                    continue
                if count == candidates.shape[0]:
                    return count
                candidates[count, 0] = y - 1
                candidates[count, 1] = x
                count += 1
    return count


@kernel
def _stretched(mesh, nx):
    """Rows of a mesh, interpolated to every column of the image."""
    my, mx = mesh.shape
    rows = np.empty((my, nx), dtype=np.float32)
    for x in range(nx):
        u = min(max((x + 0.5) * mx / nx - 0.5, 0.0), mx - 1.0)
        i = min(int(u), max(mx - 2, 0))
        share = np.float32(u - i)
        for j in range(my):
            rows[j, x] = mesh[j, i] + share * (mesh[j, min(i + 1, mx - 1)] - mesh[j, i])
    return rows


@kernel
def _limit_row(stretched, v, limit):
    """Interpolate the limit of detection of one row, ``v`` in rows of the mesh."""
    last = stretched.shape[0] - 1
    v = min(max(v, 0.0), float(last))
    share = np.float32(v - int(v))
    upper = stretched[int(v)]
    lower = stretched[min(int(v) + 1, last)]
    for x in range(limit.size):
        limit[x] = upper[x] + share * (lower[x] - upper[x])


@kernel
def _smooth_row(image, y, taps, column, row):
    """Smooth one row by five taps each way; two pixels at either end stay as they are."""
    far_above, above, here = image[y - 2], image[y - 1], image[y]
    below, far_below = image[y + 1], image[y + 2]
    middle, near, far = taps[0], taps[1], taps[2]
    for x in range(column.size):
        column[x] = (
            middle * here[x] + near * (above[x] + below[x]) + far * (far_above[x] + far_below[x])
        )
    inner = row[2:-2]
    left2, left, right, right2 = column[:-4], column[1:-3], column[3:-1], column[4:]
    centre = column[2:-2]
    for x in range(inner.size):
        inner[x] = middle * centre[x] + near * (left[x] + right[x]) + far * (left2[x] + right2[x])


@kernel
def _mark_above(row, limit, over):
    for x in range(row.size):
        over[x] = row[x] > limit[x]


@kernel
def _is_peak(above, here, below, x):
    """Say whether a pixel is a local maximum; of equals the last one in order counts."""
    q = here[x]
    if q < here[x - 1] or q <= here[x + 1] or q < above[x] or q <= below[x]:
        return False
    return not (q < above[x - 1] or q < above[x + 1] or q <= below[x - 1] or q <= below[x + 1])


def warm_up() -> None:
    """Compile the kernels of this module."""
    y, x = np.mgrid[:48, :48].astype(np.float32)
    image = 100 + 5000 * np.exp(-((x - 24) ** 2 + (y - 23) ** 2) / 4).astype(np.float32)
    image = image.astype(np.float32)
    mask = np.zeros(image.shape, dtype=np.uint8)
    find_stars(image, image, mask, sky_mesh(image, 16), 6.0, 2.5, 10)
