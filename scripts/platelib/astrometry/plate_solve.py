"""Solve the astrometry of a field: match asterisms, fit, and test against coincidence."""

import math
from dataclasses import dataclass, replace

import numpy as np

from platelib.astrometry.asterism_search import Seed, SkyPatterns, log_false_alarm
from platelib.astrometry.catalogue_stars import CatalogueStars
from platelib.astrometry.celestial import tangent_plane
from platelib.astrometry.fit_wcs import fit_map
from platelib.astrometry.tan_sip import SkyMap
from platelib.astrometry.triangles import REACH_PX
from platelib.numerics.neighbours import mutual_pairs
from platelib.numerics.polynomial_degree import (
    STARS_A_TERM,
    Residuals,
    count_terms,
    fit_rising,
)

LOG_THRESHOLD = -9.0
"""A match that chance brings about more often than once in so many fields is none."""

FEWEST_STARS = 6
"""With fewer stars a map has no residuals to be judged by."""

_MAX_DEGREE = 4
_KEPT = 0.97
_LEAST_REACH_PX = 1.0
_ROUNDS = 8
_MARGIN_PX = 2.0
_CERTAIN_LOG = -30.0


@dataclass(frozen=True)
class FieldStars:
    """Stars of the field, brightest first.

    Attributes
    ----------
    xy : numpy.ndarray
        ``(n, 2)`` float64 pixels of the grid, 0-based.
    error_px : numpy.ndarray
        ``(n,)`` expected error of a place along either axis.
    """

    xy: np.ndarray
    error_px: np.ndarray


@dataclass(frozen=True)
class Hint:
    """The approximate position of the field.

    Attributes
    ----------
    ra, dec : float
        Degrees.
    radius_deg : float
        How far the middle of the field may be from there.
    scale_arcsec : float
        Side of a pixel.
    scale_tolerance : float
        Share by which the scale may be off.
    """

    ra: float
    dec: float
    radius_deg: float
    scale_arcsec: float
    scale_tolerance: float


@dataclass(frozen=True)
class Placed:
    """A field placed on the sky.

    Attributes
    ----------
    sky_map : SkyMap
    field_index, catalogue_index : numpy.ndarray
        ``(k,)`` int64: which stars of the two lists are the same.
    rms_px : float
        Root mean square distance between stars and their catalogue positions.
    expected : int
        Stars of the catalogue that lie in the field.
    log_false_alarm : float
        See `platelib.astrometry.asterism_search.log_false_alarm`.
    trials : int
    """

    sky_map: SkyMap
    field_index: np.ndarray
    catalogue_index: np.ndarray
    rms_px: float
    expected: int
    log_false_alarm: float
    trials: int

    @property
    def is_certain(self) -> bool:
        """Whether chance is ruled out."""
        enough = len(self.field_index) >= FEWEST_STARS
        return enough and self.log_false_alarm <= LOG_THRESHOLD


class Placer:
    """Places fields of one size among the stars of a catalogue.

    Parameters
    ----------
    catalogue : CatalogueStars
        Brightest first, as far as the field may reach.
    hint : Hint
    shape : tuple of int
        ``(ny, nx)`` of the grid.
    """

    def __init__(self, catalogue: CatalogueStars, hint: Hint, shape: tuple[int, int]):
        self._catalogue, self._hint, self._shape = catalogue, hint, shape
        pixel = hint.scale_arcsec / 3600
        half = math.hypot(*shape) / 2 * pixel * (1 + hint.scale_tolerance)
        self.radius_deg = hint.radius_deg + half
        xi, eta, _ = tangent_plane(catalogue.ra, catalogue.dec, hint.ra, hint.dec)
        self._plane = np.stack([-xi, eta], axis=1) / pixel
        self._patterns = SkyPatterns(self._plane, self.radius_deg / pixel, shape)

    def place(self, field: FieldStars) -> Placed | None:
        """Return the likeliest position of a field, certain or not; None without any candidate."""
        best: Placed | None = None
        for seed in self._patterns.seeds(field.xy, self._hint.scale_tolerance):
            found = self._refined(seed, field)
            if found is None:
                continue
            if best is None or found.log_false_alarm < best.log_false_alarm:
                best = found
            if best.is_certain and best.log_false_alarm < _CERTAIN_LOG:
                break
        return best

    def _refined(self, seed: Seed, field: FieldStars) -> Placed | None:
        sign = -1.0 if seed.mirrored else 1.0
        image = seed.a * (field.xy[:, 0] + 1j * sign * field.xy[:, 1]) + seed.b
        places = np.stack([image.real, image.imag], axis=1)
        i, j = mutual_pairs(places, self._plane, REACH_PX)
        if len(i) < 4:
            return None
        rough = _fitted(field, self._catalogue, i, j, 1, self._shape)
        return refined(rough, field, self._catalogue, self._shape, REACH_PX, seed.trials)


def refined(
    sky_map: SkyMap,
    field: FieldStars,
    catalogue: CatalogueStars,
    shape: tuple[int, int],
    reach_px: float,
    trials: int,
) -> Placed | None:
    """Fit a map to all stars that it brings together, bent as far as residuals demand it.

    Parameters
    ----------
    sky_map : SkyMap
        The map to begin with.
    field : FieldStars
    catalogue : CatalogueStars
    shape : tuple of int
        ``(ny, nx)`` of the grid.
    reach_px : float
        Stars that are no further from their places by the first map are the same.
    trials : int
        Maps that were tried to come to this one.
    """

    def fit(degree: int, best: Placed | None) -> Placed | None:
        if best is None:
            return _fit_degree(sky_map, field, catalogue, shape, degree, reach_px, trials)
        if best.expected < STARS_A_TERM * count_terms(degree):
            return None
        reach = _reach(best.rms_px)
        return _fit_degree(best.sky_map, field, catalogue, shape, degree, reach, trials)

    return fit_rising(fit, _residuals, _MAX_DEGREE, _KEPT)


def _residuals(placed: Placed) -> Residuals:
    return Residuals(len(placed.field_index), len(placed.sky_map.a), placed.rms_px)


def _fitted(
    field: FieldStars,
    catalogue: CatalogueStars,
    i: np.ndarray,
    j: np.ndarray,
    degree: int,
    shape: tuple[int, int],
) -> SkyMap:
    weights = 1.0 / (field.error_px[i] ** 2 + 0.02**2)
    return fit_map(field.xy[i], catalogue.ra[j], catalogue.dec[j], weights, degree, shape)


def _fit_degree(
    sky_map: SkyMap,
    field: FieldStars,
    catalogue: CatalogueStars,
    shape: tuple[int, int],
    degree: int,
    reach: float,
    trials: int,
) -> Placed | None:
    unknowns = count_terms(degree)
    used: tuple[np.ndarray, np.ndarray] | None = None
    rms = 0.0
    for _ in range(_ROUNDS):
        inside, places = _inside(sky_map, catalogue, shape)
        i, k = mutual_pairs(field.xy, places, reach)
        j = inside[k]
        if len(i) < max(unknowns + 1, 4):
            break
        fitted = _fitted(field, catalogue, i, j, degree, shape)
        for _ in range(3):
            miss = _misses(fitted, field, catalogue, i, j)
            limit = 4 * max(1.2 * float(np.median(miss)), 0.02)
            if (miss < limit).all() or (miss < limit).sum() < max(unknowns + 1, 4):
                break
            i, j = i[miss < limit], j[miss < limit]
            fitted = _fitted(field, catalogue, i, j, degree, shape)
        settled = used is not None and np.array_equal(used[0], i) and np.array_equal(used[1], j)
        sky_map, used = fitted, (i, j)
        rms = float(np.sqrt(np.mean(_misses(fitted, field, catalogue, i, j) ** 2)))
        if settled:
            break
        reach = min(reach, _reach(rms))
    if used is None:
        return None
    found = Placed(sky_map, *used, round(rms, 5), 0, 0.0, trials)
    return _weighed(found, field, catalogue, shape)


def _misses(
    sky_map: SkyMap, field: FieldStars, catalogue: CatalogueStars, i: np.ndarray, j: np.ndarray
) -> np.ndarray:
    x, y = sky_map.pixels(catalogue.ra[j], catalogue.dec[j])
    return np.hypot(x - field.xy[i, 0], y - field.xy[i, 1])


def _inside(
    sky_map: SkyMap, catalogue: CatalogueStars, shape: tuple[int, int]
) -> tuple[np.ndarray, np.ndarray]:
    """Return the indices and positions of the catalogue's stars in the field."""
    x, y = sky_map.pixels(catalogue.ra, catalogue.dec)
    wide = (x > _MARGIN_PX) & (x < shape[1] - 1 - _MARGIN_PX)
    inside = np.flatnonzero(wide & (y > _MARGIN_PX) & (y < shape[0] - 1 - _MARGIN_PX))
    return inside, np.stack([x[inside], y[inside]], axis=1)


def _reach(rms_px: float) -> float:
    """Distance within which stars are the same, under a map of that error."""
    return max(4 * rms_px, _LEAST_REACH_PX)


def _weighed(
    found: Placed, field: FieldStars, catalogue: CatalogueStars, shape: tuple[int, int]
) -> Placed:
    """Compute the false-alarm probability for the number of field stars that minimises it."""
    inside, _ = _inside(found.sky_map, catalogue, shape)
    free = len(found.sky_map.a)
    area = shape[0] * shape[1]
    near = np.pi * _reach(found.rms_px) ** 2 / area
    depths = [len(inside) * 2**step for step in range(6)]
    logs = []
    for depth in depths:
        stars = min(depth, len(field.xy))
        matched = int((found.field_index < stars).sum())
        trials = found.trials * len(depths)
        logs.append(log_false_alarm(trials, len(inside), matched, free, min(1.0, stars * near)))
    return replace(found, expected=len(inside), log_false_alarm=round(min(logs), 1))
