"""Match the sources of an image with objects of catalogues."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.spatial import cKDTree

from platelib.astrometry.celestial import separation_deg

_SMALLEST_REACH_ARCSEC = 6.0


@dataclass(frozen=True)
class CatalogueObject:
    """An object of a catalogue.

    Attributes
    ----------
    name : str
    kind : str
        What it is, in words: ``galaxy``, ``planetary nebula``, ``star``.
    ra_deg, dec_deg : float
        ICRS.
    major_arcmin, minor_arcmin : float
        Whole axes; NaN where unknown.
    angle_deg : float
        Of the major axis, from north to east; NaN where unknown.
    magnitude : float
        NaN where unknown.
    catalogue : str
        Where it is from.
    """

    name: str
    kind: str
    ra_deg: float
    dec_deg: float
    major_arcmin: float = math.nan
    minor_arcmin: float = math.nan
    angle_deg: float = math.nan
    magnitude: float = math.nan
    catalogue: str = ""

    @property
    def reach_arcsec(self) -> float:
        """Largest distance of a matching source, arcsec."""
        major = self.major_arcmin if math.isfinite(self.major_arcmin) else 0.0
        return max(_SMALLEST_REACH_ARCSEC, 0.25 * 60 * major)


def match_objects(
    ra_deg: np.ndarray,
    dec_deg: np.ndarray,
    flux: np.ndarray,
    eligible: np.ndarray,
    objects: Sequence[CatalogueObject],
) -> np.ndarray:
    """Find the source that each object of a catalogue is.

    Parameters
    ----------
    ra_deg, dec_deg, flux : numpy.ndarray
        ``(n,)`` sources.
    eligible : numpy.ndarray
        ``(n,)`` bool; only these are matched.
    objects : sequence of CatalogueObject

    Returns
    -------
    numpy.ndarray
        ``(len(objects),)`` int: number of the source, -1 for none. Of the sources in reach it is
        the one with the most light for its distance; no source is two objects.
    """
    offers = []
    for k, one in enumerate(objects):
        near = separation_deg(ra_deg, dec_deg, one.ra_deg, one.dec_deg) * 3600
        for i in np.flatnonzero(eligible & (near <= one.reach_arcsec)).tolist():
            merit = flux[i] / (1.0 + (near[i] / _SMALLEST_REACH_ARCSEC) ** 2)
            offers.append((-float(merit), k, i))
    return _shared_out(offers, len(objects))


def match_stars(
    x: np.ndarray, y: np.ndarray, star_x: np.ndarray, star_y: np.ndarray, reach_px: float
) -> np.ndarray:
    """Return the number of the source at each catalogue star, -1 for none; nearest pairs first."""
    if not x.size or not star_x.size:
        return np.full(star_x.size, -1)
    tree = cKDTree(np.stack([x, y], axis=1))
    offers = []
    for k, place in enumerate(zip(star_x, star_y, strict=True)):
        for i in tree.query_ball_point(place, reach_px):
            offers.append((round(math.hypot(x[i] - place[0], y[i] - place[1]), 6), k, i))
    return _shared_out(offers, star_x.size)


def _shared_out(offers: list[tuple[float, int, int]], count: int) -> np.ndarray:
    """Give each of ``count`` its best source: pairs of lowest first number first."""
    taken = np.full(count, -1)
    used: set[int] = set()
    for _, k, i in sorted(offers):
        if taken[k] < 0 and i not in used:
            taken[k] = i
            used.add(i)
    return taken
