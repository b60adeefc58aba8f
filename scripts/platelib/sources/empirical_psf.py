"""The empirical PSF: dimmed copies of a field's own bright stars.

No model of the star image is needed: a copy has the seeing, the guiding and the resampling of the
image in it. Its own noise is dimmed with it.
"""

from dataclasses import dataclass
from itertools import islice

import numpy as np
import sep

from platelib.numerics.half_sample_mode import half_sample_mode
from platelib.sources.background_subtracted import FieldSky
from platelib.sources.sep_extraction import extracted

FEWEST = 3
_MOST = 24
_PEAKS_A_STAR = 2
"""Stars are looked at from the highest peak on, this many for one that is taken."""
_SAMPLE = 500
"""Sources that tell how wide stars are; fewer than twice as many are looked at."""
_AT_A_TIME = 250
_DETECTION_SIGMAS = (5.0, 10.0, 20.0, 40.0)
_AREA, _MARGIN_PX = 5, 3
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
    # Where light runs together, stars stand apart at a higher threshold.
    for sigma in _DETECTION_SIGMAS:
        groups = _Groups(field, sigma)
        chosen = groups.single_stars()
        if chosen.size >= FEWEST:
            break
    if not chosen.size:
        msg = "the image shows no star that is bright and by itself"
        raise ValueError(msg)
    if chosen.size < FEWEST:
        msg = f"only {chosen.size} stars are bright and by themselves, and {FEWEST} are needed"
        raise ValueError(msg)
    x, y = groups.x[chosen], groups.y[chosen]
    middle = float(np.median(groups.half_light[chosen]))
    radius = _REACH * 2.0 * middle
    flux, _, _ = sep.sum_circle(field.image, x, y, radius, mask=field.missing, subpix=0)
    stamps = np.stack([_stamp(field, *place, radius) for place in zip(x, y, flux, strict=True)])
    return StarCopies(stamps, x - np.rint(x), y - np.rint(y), middle, radius, x, y, flux)


class _Groups:
    """Groups of bright pixels that are as round as most, the highest peak first.

    Most of them are single stars. The width of a group is measured, and its light is parted into
    that of several stars, when it is asked for.
    """

    def __init__(self, field: FieldSky, sigma: float):
        self._field, self._sigma = field, sigma
        found = extracted(
            field.image, field.noise, field.missing, sigma, _AREA, deblend_nthresh=1
        ).found
        found = found[(found["flag"] == 0) & (found["b"] > 0.7 * found["a"])]
        sample = _half_lights(field, found[:: max(1, len(found) // _SAMPLE)])
        sample = sample[np.isfinite(sample)]
        found = found if sample.size else found[:0]
        self._typical = half_sample_mode(sample) if sample.size else 1.0
        self.radius_px = _REACH * 2.0 * self._typical
        x, y = found["x"], found["y"]
        flux, error, flag = sep.sum_circle(
            field.image, x, y, self.radius_px, err=field.noise, mask=field.missing, subpix=0
        )
        bright = (flag == 0) & (flux > min(_ASKED)[0] * error)
        # The final radius may be larger by the tolerance of the widths.
        rim = int(np.ceil((1 + _WIDTH_TOLERANCE) * self.radius_px)) + 1
        bright &= _inside(x, y, field.image.shape, rim)
        peak = field.image[found["ypeak"], found["xpeak"]]
        rows = np.flatnonzero(bright)
        rows = rows[np.argsort(-peak[rows], kind="stable")]
        self.x, self.y, self.flux = x[rows], y[rows], flux[rows]
        self.half_light = np.full(rows.size, np.nan)
        self._found, self._peak = found[rows], peak[rows]
        self._snr = self.flux / error[rows]
        self._measured = 0
        self._neighbours: dict[int, float] = {}

    def single_stars(self) -> np.ndarray:
        """Return the rows of bright stars, surely not saturated, without neighbours that matter."""
        chosen: list[int] = []
        for bright, share, neighbours in _ASKED:
            pool = np.flatnonzero(self._snr > bright).tolist()
            top = next((k for k in pool if self._is_single(k)), None)
            if top is None:
                continue
            limit = share * self._peak[top]
            lone = (
                k
                for k in pool
                if self._peak[k] <= limit
                and self._is_single(k)
                and self._neighbour_light(k) <= neighbours * self.flux[k]
            )
            chosen = list(islice(lone, _PEAKS_A_STAR * _MOST))
            if len(chosen) >= FEWEST:
                break
        return np.array(sorted(chosen, key=lambda k: (-self.flux[k], k))[:_MOST], dtype=int)

    def _is_single(self, k: int) -> bool:
        """Whether a group is as wide as stars are, and not made of several."""
        while k >= self._measured:
            part = slice(self._measured, self._measured + _AT_A_TIME)
            self.half_light[part] = _half_lights(self._field, self._found[part])
            self._measured += _AT_A_TIME
        width = self.half_light[k] / self._typical
        return bool(abs(width - 1) <= _WIDTH_TOLERANCE) and self._neighbour_light(k) < np.inf

    def _neighbour_light(self, k: int) -> float:
        """Return the light of the brightest neighbour; infinite if the group is several stars."""
        if k not in self._neighbours:
            self._neighbours[k] = self._deblended(k)
        return self._neighbours[k]

    def _deblended(self, k: int) -> float:
        reach, group, field = 1.4 * self.radius_px, self._found[k], self._field
        x, y = self.x[k], self.y[k]
        left = max(0, int(min(group["xmin"], x - reach)) - _MARGIN_PX)
        bottom = max(0, int(min(group["ymin"], y - reach)) - _MARGIN_PX)
        right = int(max(group["xmax"], x + reach)) + _MARGIN_PX
        top = int(max(group["ymax"], y + reach)) + _MARGIN_PX
        cut = np.s_[bottom:top, left:right]
        image, noise = (np.ascontiguousarray(plane[cut]) for plane in (field.image, field.noise))
        missing = np.ascontiguousarray(field.missing[cut])
        found = extracted(image, noise, missing, self._sigma, _AREA).found
        away = np.hypot(found["x"] + left - x, found["y"] + bottom - y)
        own = int(np.argmin(away))
        if found["flag"][own] != 0:
            return np.inf
        near = found[(away <= reach) & (np.arange(len(found)) != own)]
        light, _, _ = sep.sum_circle(
            field.image, near["x"] + left, near["y"] + bottom, self.radius_px, subpix=0,
            mask=field.missing,
        )  # fmt: skip
        return float(light.max(initial=0.0))


def _half_lights(field: FieldSky, found: np.ndarray) -> np.ndarray:
    """Radius of half the light of each source, NaN where it cannot be trusted."""
    reach = 6.0 * np.maximum(found["a"], 1.0)
    radius, flag = sep.flux_radius(
        field.image, found["x"], found["y"], reach, 0.5, mask=field.missing, subpix=5
    )
    return np.where((flag == 0) & (radius > 0), radius, np.nan)


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
