"""Match the stars of a field with a catalogue, by triangles of stars.

The catalogue reaches further than the field, since the pointing is known roughly only, and other
stars than the brightest of the one may be the brightest of the other. So lists of rising depth are
compared, each with as many stars to the area of the field in the catalogue as in the field.

The probability that unrelated lists agree as well follows from the number of
trials and of agreements (`log_false_alarm`).
"""

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from platelib.astrometry.triangles import Triangles

_DEPTHS = (15, 30, 60, 120)
_FIELD_SURPLUS = 1.6
_FIELD_BRIGHTEST, _FIELD_NEAREST = 10, 8
_CATALOGUE_BRIGHTEST, _CATALOGUE_NEAREST = 3, 7
_FEWEST = 4


@dataclass(frozen=True)
class Seed:
    """A similarity that leads from the field to the plane of the catalogue.

    Attributes
    ----------
    a, b : complex
        A star at ``z = x + i y`` of the field, or ``x - i y`` where it is mirrored, is to be found
        at ``a z + b``.
    mirrored : bool
    trials : int
        Similarities that were considered up to here, this one included.
    """

    a: complex
    b: complex
    mirrored: bool
    trials: int


class SkyPatterns:
    """Patterns of the catalogue's stars around a position, for comparison with fields.

    Parameters
    ----------
    xy : numpy.ndarray
        ``(n, 2)`` float64 places on the tangent plane in pixels of the expected scale, x to the
        west, brightest first.
    radius_px : float
        Radius of the circle that they fill.
    shape : tuple of int
        ``(ny, nx)`` of the field.
    """

    def __init__(self, xy: np.ndarray, radius_px: float, shape: tuple[int, int]):
        self._xy = xy
        self._fields = np.pi * radius_px**2 / (shape[0] * shape[1])
        self._triangles: dict[int, Triangles] = {}

    def seeds(self, field_xy: np.ndarray, scale_tolerance: float) -> Iterator[Seed]:
        """Propose how a field may lie on the sky, from the brightest stars on to fainter ones.

        Parameters
        ----------
        field_xy : numpy.ndarray
            ``(m, 2)`` float64 pixels, brightest first.
        scale_tolerance : float
            Share by which the scale may be off.
        """
        trials, seen = 0, None
        for depth in _DEPTHS:
            stars = min(len(self._xy), math.ceil(depth * self._fields))
            most = min(len(field_xy), round(depth * _FIELD_SURPLUS))
            if min(stars, most) < _FEWEST or (stars, most) == seen:
                break
            seen = stars, most
            catalogue = self._brightest(stars)
            for mirrored in (False, True):
                flip = np.array([1.0, -1.0 if mirrored else 1.0])
                field = Triangles(field_xy[:most] * flip, _FIELD_BRIGHTEST, _FIELD_NEAREST)
                a, b = field.similarities(catalogue)
                fits = np.abs(np.log(np.abs(a))) < np.log1p(scale_tolerance)
                a, b = a[fits], b[fits]
                trials += len(a)
                chosen = field.elected(a, b, catalogue) if len(a) else None
                if chosen is not None:
                    yield Seed(*chosen, mirrored, trials)

    def _brightest(self, count: int) -> Triangles:
        if count not in self._triangles:
            self._triangles[count] = Triangles(
                self._xy[:count], _CATALOGUE_BRIGHTEST, _CATALOGUE_NEAREST
            )
        return self._triangles[count]


def log_false_alarm(
    trials: int, catalogue_stars: int, matched: int, free: int, chance: float
) -> float:
    """Return the decimal logarithm of the false-alarm probability.

    Each catalogue star in the field finds a partner by chance with one probability, independently.
    Stars that the free parameters can bring together count for nothing.

    Parameters
    ----------
    trials : int
        Ways of laying the catalogue on the field that were considered.
    catalogue_stars : int
        Stars of the catalogue inside the field.
    matched : int
        Those that have a partner.
    free : int
        Stars that always agree: half of the number of free parameters.
    chance : float
        Probability that a star has a partner by chance: the share of the field that lies near
        enough to one of its stars.

    Returns
    -------
    float
        At most 0: the expected number of equally good matches among all trials (which bounds the
        probability of one or more; Boole's inequality).
    """
    stars, hits = catalogue_stars - free, matched - free
    if hits <= 0 or chance >= 1.0:
        return 0.0
    chance = max(chance, 1e-12)
    logs = [
        math.lgamma(stars + 1)
        - math.lgamma(k + 1)
        - math.lgamma(stars - k + 1)
        + k * math.log(chance)
        + (stars - k) * math.log1p(-chance)
        for k in range(hits, stars + 1)
    ]
    highest = max(logs)
    tail = highest + math.log(math.fsum(math.exp(log - highest) for log in logs))
    return min(0.0, (math.log(max(trials, 1)) + tail) / math.log(10))
