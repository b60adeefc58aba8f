"""Check given world coordinates with stars."""

from dataclasses import dataclass, replace

import numpy as np

from platelib.astrometry.asterism_search import log_false_alarm
from platelib.astrometry.catalogue_stars import CatalogueStars
from platelib.astrometry.plate_solve import LOG_THRESHOLD, FieldStars, Placed
from platelib.astrometry.tan_sip import SkyMap
from platelib.numerics.neighbours import close_pairs, mutual_pairs

CONTRADICTION_LOG = -2.0
"""Below these odds (decimal logarithm) stars contradict a map."""

SEEN = 0.8
"""Share of bright catalogue stars that a right map finds detected: the others are close pairs,
bleed along columns or lie under another star (common practice, no source)."""

_REACHES_PX = (1.5, 3.0, 6.0, 12.0)
_MOST_STARS = 100
_FEWER = 3
_DEEPER, _LEAST_DEPTH = 20, 50
_EDGE_PX = 10.0
_NEIGHBOURS = 5.0

_SHIFT_STARS, _SHIFT_FIELD = 30, 80
_MOST_SHIFTS = 400_000
_SHIFT_REACH_PX = 2.0
_SHIFT_TURN = 0.004
_FEWEST_SHIFTED = 4


@dataclass(frozen=True)
class Agreement:
    """Agreement of stars with world coordinates.

    Attributes
    ----------
    expected : int
        Bright catalogue stars where the image shows stars.
    matched : int
        Those with a detection near their place.
    by_chance : float
        As many as a wrong map would match.
    miss_px : float
        Median distance of those that match, 0 without any.
    log_odds : float
        Decimal logarithm of the likelihood of a right map over that of a wrong one.
    """

    expected: int
    matched: int
    by_chance: float
    miss_px: float
    log_odds: float

    @property
    def is_contradicted(self) -> bool:
        """Whether the stars rule the map out."""
        return self.log_odds < CONTRADICTION_LOG


def agreement(
    sky_map: SkyMap, field: FieldStars, catalogue: CatalogueStars, shape: tuple[int, int]
) -> Agreement:
    """Compare a map with the stars of a field.

    Only stars that must show are looked for: fewer than a third as many as the field has
    detections, the brightest; away from the edges; and where other stars show, so that dark
    corners and masked regions count neither way. Under a right map each of them has a detection
    with probability `SEEN`, under a wrong one with the probability of a chance coincidence. The
    ratio of the two likelihoods is taken at the radius that favours the map most, since headers
    are exact or a few pixels off, and saturated stars are.

    Parameters
    ----------
    sky_map : SkyMap
    field : FieldStars
        All detections, saturated ones included, brightest first.
    catalogue : CatalogueStars
        Brightest first.
    shape : tuple of int
        ``(ny, nx)`` of the image.
    """
    detections, area = field.xy, shape[0] * shape[1]
    places = _bright_places(sky_map, catalogue, shape)[
        : min(len(detections) // _FEWER, _MOST_STARS)
    ]
    if not len(places):
        return Agreement(0, 0, 0.0, 0.0, 0.0)
    reach = np.sqrt(_NEIGHBOURS * area / (np.pi * len(detections)))
    shown = np.zeros(len(places), dtype=bool)
    shown[close_pairs(places, detections, float(reach))[0]] = True
    places, count = places[shown], int(shown.sum())
    detections = detections[: max(_LEAST_DEPTH, _DEEPER * count)]
    best = Agreement(count, 0, 0.0, 0.0, -np.inf if count else 0.0)
    for reach in _REACHES_PX:
        chance = -np.expm1(-len(detections) * np.pi * reach**2 / area)
        if chance >= SEEN or not count:
            continue
        i, j = mutual_pairs(places, detections, reach)
        hit, miss = np.log10(SEEN / chance), np.log10((1 - SEEN) / (1 - chance))
        log_odds = float(len(i) * hit + (count - len(i)) * miss)
        if log_odds > best.log_odds:
            distance = np.hypot(*(places[i] - detections[j]).T)
            middle = float(np.median(distance)) if len(i) else 0.0
            best = Agreement(count, len(i), float(count * chance), middle, log_odds)
    return best if np.isfinite(best.log_odds) else replace(best, log_odds=0.0)


def _bright_places(
    sky_map: SkyMap, catalogue: CatalogueStars, shape: tuple[int, int]
) -> np.ndarray:
    x, y = sky_map.pixels(catalogue.ra, catalogue.dec)
    inside = (x > _EDGE_PX) & (x < shape[1] - 1 - _EDGE_PX)
    inside &= (y > _EDGE_PX) & (y < shape[0] - 1 - _EDGE_PX)
    return np.stack([x[inside], y[inside]], axis=1)


def shifted(
    sky_map: SkyMap,
    field: FieldStars,
    catalogue: CatalogueStars,
    shape: tuple[int, int],
    radius_px: float,
) -> Placed | None:
    """Shift a map so that stars agree, its scale and turn kept.

    A header that tells the pointing of the mount has scale and turn right and the place wrong. One
    pair of stars then fixes all, so that a handful of stars rules chance out.

    Parameters
    ----------
    sky_map : SkyMap
    field : FieldStars
        Brightest first.
    catalogue : CatalogueStars
        Brightest first.
    shape : tuple of int
        ``(ny, nx)`` of the image.
    radius_px : float
        Largest shift.

    Returns
    -------
    Placed or None
        None where chance may bring about the best agreement.
    """
    x, y = sky_map.pixels(catalogue.ra, catalogue.dec)
    near = np.flatnonzero(
        (x > -radius_px)
        & (x < shape[1] + radius_px)
        & (y > -radius_px)
        & (y < shape[0] + radius_px)
    )
    few = field.xy[:_SHIFT_FIELD]
    share = (shape[0] + 2 * radius_px) * (shape[1] + 2 * radius_px) / (shape[0] * shape[1])
    most = min(int(_SHIFT_STARS * share), _MOST_SHIFTS // max(len(few), 1))
    near = near[:most]
    if min(len(near), len(few)) < _FEWEST_SHIFTED:
        return None
    places = np.stack([x[near], y[near]], axis=1)
    shifts = (few[None] - places[:, None]).reshape(-1, 2)
    shifts = shifts[np.hypot(*shifts.T) <= radius_px]
    if not len(shifts):
        return None
    wide = max(_SHIFT_REACH_PX, _SHIFT_TURN * float(np.hypot(*shape)))
    stars, moved = catalogue.chosen(near), _moved(sky_map, _densest(shifts, wide))
    for reach in (wide, _SHIFT_REACH_PX, _SHIFT_REACH_PX):
        places = np.stack(moved.pixels(stars.ra, stars.dec), axis=1)
        i, j = mutual_pairs(places, few, reach)
        if len(i) < _FEWEST_SHIFTED:
            return None
        moved = _moved(moved, np.median(few[j] - places[i], axis=0))
    places = np.stack(moved.pixels(stars.ra, stars.dec), axis=1)
    i, j = mutual_pairs(places, few, _SHIFT_REACH_PX)
    inside = ((places > 0) & (places < np.array(shape[::-1]) - 1)).all(axis=1)
    chance = -np.expm1(-len(few) * np.pi * _SHIFT_REACH_PX**2 / (shape[0] * shape[1]))
    expected = int(inside.sum())
    log_chance = log_false_alarm(len(shifts), expected, len(i), 1, float(chance))
    if len(i) < _FEWEST_SHIFTED or log_chance > LOG_THRESHOLD:
        return None
    rms = float(np.sqrt(np.mean(np.sum((places[i] - few[j]) ** 2, axis=1))))
    return Placed(moved, j, near[i], round(rms, 5), expected, round(log_chance, 1), len(shifts))


def _moved(sky_map: SkyMap, shift: np.ndarray) -> SkyMap:
    """Point a map elsewhere, so that all stars move by a few pixels.

    The direction of north at the reference pixel stays, as with a telescope that is moved about
    the axes of its mount.
    """
    ra, dec = sky_map.sky(sky_map.x - float(shift[0]), sky_map.y - float(shift[1]))
    return replace(sky_map, ra=round(float(ra), 10), dec=round(float(dec), 10))


def _densest(shifts: np.ndarray, reach: float) -> np.ndarray:
    """Return the median of the shifts in the fullest cell of four meshes that overlap by half."""
    best: tuple[int, np.ndarray] = (0, shifts[0])
    for offset in ((0.0, 0.0), (0.5, 0.0), (0.0, 0.5), (0.5, 0.5)):
        cells = np.floor(shifts / (2 * reach) + offset).astype(np.int64)
        _, which, counts = np.unique(cells, axis=0, return_inverse=True, return_counts=True)
        fullest = int(np.argmax(counts))
        if counts[fullest] > best[0]:
            inside = np.ravel(which) == fullest
            best = int(counts[fullest]), np.asarray(np.median(shifts[inside], axis=0))
    return best[1]
