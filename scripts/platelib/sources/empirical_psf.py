"""The empirical PSF: dimmed copies of a field's own bright stars.

No model of the star image is needed: a copy has the seeing, the guiding and the resampling of the
image in it. Its own noise is dimmed with it.
"""

from dataclasses import dataclass

import numpy as np
import sep
from scipy.spatial import cKDTree

from platelib.numerics.half_sample_mode import half_sample_mode
from platelib.sources.background_subtracted import FieldSky
from platelib.sources.sep_extraction import extracted

FEWEST = 3
_MOST = 24
_DETECTION_SIGMA = 5.0
_ASKED = ((60.0, 0.6, 0.02), (40.0, 0.8, 0.05), (20.0, 1.0, 0.1))
"""Signal-to-noise, peak over the highest of all, light of neighbours: what good stars have, and
what is taken where these are too few."""

_WIDTH_TOLERANCE = 0.15
_REACH = 3.0


@dataclass(frozen=True)
class StarCopies:
    """Images of single bright stars.

    Attributes
    ----------
    stamps : numpy.ndarray
        ``(n, side, side)`` float32, each over its flux; 0 outside of the circle.
    dx, dy : numpy.ndarray
        ``(n,)`` place of the star from the middle pixel of its stamp.
    half_light_px : float
        Radius that holds half of a star's light, median of the stars.
    radius_px : float
        Radius of the circle whose light is all of a star's.
    x, y, flux : numpy.ndarray
        ``(n,)`` the stars in the image.
    """

    stamps: np.ndarray
    dx: np.ndarray
    dy: np.ndarray
    half_light_px: float
    radius_px: float
    x: np.ndarray
    y: np.ndarray
    flux: np.ndarray

    def share(self, radius_px: float) -> float:
        """Return the fraction of a star's light inside a circle; median of the stars."""
        middle = self.stamps.shape[1] // 2
        inside = [
            sep.sum_circle(stamp, [middle + dx], [middle + dy], radius_px, subpix=0)[0][0]
            for stamp, dx, dy in zip(self.stamps, self.dx, self.dy, strict=True)
        ]
        return float(np.median(inside))


def copy_stars(field: FieldSky) -> StarCopies:
    """Cut bright single stars out of an image.

    Parameters
    ----------
    field : FieldSky

    Returns
    -------
    StarCopies

    Raises
    ------
    ValueError
        If there are too few bright single stars.
    """
    found = extracted(field.image, field.noise, field.missing, _DETECTION_SIGMA, 5).found
    half_light, usable = _half_lights(field, found)
    if not usable.any():
        msg = "the image shows no star that is bright and by itself"
        raise ValueError(msg)
    typical = half_sample_mode(half_light[usable])
    radius = _REACH * 2.0 * typical
    star = usable & (np.abs(half_light / typical - 1) <= _WIDTH_TOLERANCE)
    x, y = found["x"], found["y"]
    flux, error, flag = sep.sum_circle(
        field.image, x, y, radius, err=field.noise, mask=field.missing, subpix=0
    )
    star &= (flag == 0) & _inside(x, y, field.image.shape, int(np.ceil(radius)) + 1)
    for asked in _ASKED:
        good = star & _good(field, found, flux, flux / error, radius, asked)
        if good.sum() >= FEWEST:
            break
    order = np.flatnonzero(good)
    order = order[np.lexsort((order, -flux[order]))][:_MOST]
    if order.size < FEWEST:
        msg = f"only {order.size} stars are bright and by themselves, and {FEWEST} are needed"
        raise ValueError(msg)
    x, y, flux = x[order], y[order], flux[order]
    stamps = np.stack([_stamp(field, *place, radius) for place in zip(x, y, flux, strict=True)])
    middle = float(np.median(half_light[order]))
    return StarCopies(stamps, x - np.rint(x), y - np.rint(y), middle, radius, x, y, flux)


def _half_lights(field: FieldSky, found: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Radius of half the light of each source, and whether it can be trusted."""
    usable = (found["flag"] == 0) & (found["b"] > 0.7 * found["a"])
    radius = np.zeros(len(found))
    x, y, a = (found[name][usable] for name in ("x", "y", "a"))
    reach = 6.0 * np.maximum(a, 1.0)
    radius[usable], flag = sep.flux_radius(
        field.image, x, y, reach, 0.5, mask=field.missing, subpix=5
    )
    usable[usable] = flag == 0
    return radius, usable & (radius > 0)


def _good(
    field: FieldSky,
    found: np.ndarray,
    flux: np.ndarray,
    snr: np.ndarray,
    radius: float,
    asked: tuple[float, float, float],
) -> np.ndarray:
    """Return which sources are bright, surely not saturated, and without neighbours that matter."""
    bright, highest, neighbours = asked
    good = snr > bright
    peak = field.image[found["ypeak"], found["xpeak"]]
    if good.any():
        good &= peak <= highest * peak[good].max()
    places = np.stack([found["x"], found["y"]], axis=1)
    chosen = np.flatnonzero(good)
    near = cKDTree(places).query_ball_point(places[chosen], 1.4 * radius)
    for k, others in zip(chosen, near, strict=True):
        good[k] = not any(flux[other] > neighbours * flux[k] for other in others if other != k)
    return good


def _inside(x: np.ndarray, y: np.ndarray, shape: tuple[int, int], reach: int) -> np.ndarray:
    ny, nx = shape
    return (x > reach) & (x < nx - 1 - reach) & (y > reach) & (y < ny - 1 - reach)


def _stamp(field: FieldSky, x: float, y: float, flux: float, radius: float) -> np.ndarray:
    reach = int(np.ceil(radius)) + 1
    column, row = int(np.rint(x)), int(np.rint(y))
    cut = field.image[row - reach : row + reach + 1, column - reach : column + reach + 1]
    dy, dx = np.mgrid[-reach : reach + 1, -reach : reach + 1]
    outside = np.hypot(dx + column - x, dy + row - y) > radius + 0.7
    stamp = (cut / np.float32(flux)).astype(np.float32)
    stamp[outside] = 0
    return stamp
