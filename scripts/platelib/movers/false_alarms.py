"""How many tracks chance makes, of peaks of noise and of detections, and thresholds for them."""

import math

import numpy as np
from scipy.spatial import cKDTree
from scipy.special import gammaln

from platelib.movers.rate_fit import RateFit

_STEP = 0.005
_NEIGHBOURS = 10
_CHOICES = 2.0
_LEAST_CHI2, _MOST_CHI2 = 0.5, 4.0


def expected_peaks(
    threshold: float, pixels: float, most: float, minutes: np.ndarray, correlation_px: float
) -> float:
    """Return the expected number of peaks of noise above a threshold.

    The statistic is a random field of two places and two rates with unit variance. Shifted by a
    pixel, it correlates as a Gaussian of sigma `correlation_px`; by a rate, as the mean shift of
    the subs. The expected Euler characteristic of the places above a high threshold is the number
    of peaks.

    Parameters
    ----------
    threshold : float
    pixels : float
        Pixels with data.
    most : float
        Highest rate, px/min.
    minutes : numpy.ndarray
        ``(n,)`` float64, times of the subs.
    correlation_px : float
        ``sqrt(2)`` sigma of the star image, for maps that are matched-filtered.

    References
    ----------
    Worsley, Marrett, Neelin & Evans (1996), Human Brain Mapping 4, 58, for boxes and discs (from
    memory); Adler & Taylor (2007), Random Fields and Geometry, theorem 12.4.2 (from memory).
    """
    area = pixels / correlation_px**2
    radius = most * float(np.std(minutes)) / correlation_px
    u = threshold
    tail = math.exp(-0.5 * u * u)
    plane = u / (2 * math.pi) ** 1.5
    edge = (u * u - 1) / (2 * math.pi) ** 2
    inside = (u**3 - 3 * u) / (2 * math.pi) ** 2.5
    return area * tail * (plane + edge * math.pi * radius + inside * math.pi * radius**2)


def chance_threshold(
    false_alarms: float,
    pixels: float,
    most: float,
    minutes: np.ndarray,
    correlation_px: float,
    excess: float = 1.0,
) -> float:
    """Return the lowest threshold with at most so many expected peaks of noise.

    Parameters
    ----------
    false_alarms : float
        Expected number of false tracks in the field, such as 0.02.
    pixels, most, minutes, correlation_px
        See `expected_peaks`.
    excess : float, optional
        Peaks of a shuffled series for one that is expected, see `excess_of_shuffles`.
    """
    u = 3.0
    while excess * expected_peaks(u, pixels, most, minutes, correlation_px) > false_alarms:
        u += _STEP
    return u


def excess_of_shuffles(found: int, expected: float) -> float:
    """Return how many peaks appear for one that is expected, at least 1.

    Parameters
    ----------
    found : int
        Peaks above the gate in series whose order of subs is shuffled: false by construction.
    expected : float
        Peaks that noise makes above this gate in as many series.

    Returns
    -------
    float
        The count plus two of its standard deviations is taken, since few peaks say little.
    """
    return max(1.0, (found + 2 * math.sqrt(found + 1)) / max(expected, 1.0))


def shuffled_order(n: int, seed: int) -> np.ndarray:
    """Return an order ``(n,)`` of subs in which no straight path of the true order survives.

    Halves of the series are mixed and few subs keep their neighbours, for any seed.
    """
    rng = np.random.default_rng(seed)
    orders = [rng.permutation(n) for _ in range(64)]
    ranks = np.arange(n)
    correlation = [abs(float(np.corrcoef(order, ranks)[0, 1])) if n > 2 else 0 for order in orders]
    return orders[int(np.argmin(correlation))]


def log_chance_tracks(
    count: int,
    subs: int,
    minutes: np.ndarray,
    sigma_px: np.ndarray,
    chi2: float,
    rates: tuple[float, float],
    area_px: float,
    density: float,
    share: float = 1.0,
) -> float:
    """Return the logarithm of the expected number of chance tracks as good as one that is found.

    Points of k subs, of density rho each, lie in a space of 2k dimensions; motions of constant
    rate are a surface of 4 dimensions in it. The points that fit with at most this chi square fill
    a ball of 2k - 4 dimensions at each place of the surface. The volume of the surface is the
    area of the field by that of the disc of rates, by ``k sum((t - mean t)^2)``.

    Parameters
    ----------
    count : int
        Detections of the track, k.
    subs : int
        Subs that cover it and could show it.
    minutes, sigma_px : numpy.ndarray
        ``(k,)`` float64: times, errors of places.
    chi2 : float
        Of the fit.
    rates : tuple of float
        Rate of the track and highest rate searched, px/min. Slower tracks are fewer; what that
        gains is paid back by the number of octaves that are searched.
    area_px : float
        Area of the field.
    density : float
        Detections a sub and pixel.
    share : float, optional
        Part of them that are at least as bright as the faintest one of the track.

    Returns
    -------
    float
        Natural logarithm. Chance may choose limits of brightness and of chi square, of which the
        product counts: the probability that a product of two uniform numbers is below p is
        ``p (1 - ln p)``. A factor of 2 stands for the choice of k.
    """
    rate, most = max(rates[0], 1e-6), rates[1]
    spread = count * float(((minutes - minutes.mean()) ** 2).sum())
    half = count - 2  # half of the dimensions of the ball
    reduced = min(max(chi2 / (2 * half), _LEAST_CHI2), _MOST_CHI2)
    # Errors at right angles to the surface: two of the k are taken up by place and rate.
    log_sigma = 2 * half * float(np.log(sigma_px).mean())
    ball = half * math.log(math.pi * reduced * 2 * half) + log_sigma - float(gammaln(half + 1))
    surface = math.log(area_px * math.pi * rate**2 * max(spread, 1e-12))
    points = count * math.log(density * share)
    subsets = gammaln(subs + 1) - gammaln(count + 1) - gammaln(subs - count + 1)
    choices = (
        math.log(_CHOICES)
        + math.log(1 + 2 * max(math.log(most / rate), 0.0))
        + math.log(1 + half * math.log(_MOST_CHI2 / reduced))
        + math.log(1 + count * math.log(1 / share))
    )
    return float(choices + subsets + surface + ball + points)


def log_chance_rate(motion: RateFit, places: int) -> float:
    """Return the logarithm of the number of places at rest whose scatter looks like a rate.

    Parameters
    ----------
    motion : RateFit
        Of three or more places.
    places : int
        Places that light up in three or more subs, at rest or not.

    Returns
    -------
    float
        The scatter at places at rest is unknown: it is taken from the fit. So the ratio of the
        sums of squares, of the rate and of the residuals, has an F distribution with 2 and 2k - 4
        degrees of freedom, of which the tail is ``(1 + ratio)^(2 - k)``.
    """
    ratio = (motion.rate / motion.rate_error) ** 2 / max(motion.chi2, 1e-9)
    return math.log(max(places, 1)) - motion.degrees / 2 * math.log1p(ratio)


def false_alarm_probability(expected: float) -> float:
    """Return the probability of one or more chance tracks where so many are expected."""
    return -math.expm1(-expected)


class Density:
    """Local density of detections.

    Parameters
    ----------
    x, y, snr : numpy.ndarray
        ``(n,)`` float64: detections of all subs that are at no resting place.
    subs : int
        Number of subs.
    area_px : float
        Area of the field.
    """

    def __init__(
        self, x: np.ndarray, y: np.ndarray, snr: np.ndarray, subs: int, area_px: float
    ) -> None:
        self._tree = cKDTree(np.column_stack([x, y]))
        self._snr = np.sort(snr)
        self._subs, self._area = subs, area_px

    def at(
        self, x: np.ndarray, y: np.ndarray, own: np.ndarray, least_snr: float
    ) -> tuple[float, float]:
        """Return the density at places of a track, and the share of detections as bright.

        Parameters
        ----------
        x, y : numpy.ndarray
            ``(k,)`` float64.
        own : numpy.ndarray
            ``(k,)`` bool: whether the detection of the track is one of those counted.
        least_snr : float
            Signal-to-noise of the faintest of them.

        Returns
        -------
        density, share : float
            Detections a sub and pixel; the part of all that are at least as bright.
        """
        others = len(self._snr) - int(own.sum())
        density = max(others, 1) / self._area
        if others > _NEIGHBOURS:
            density = max(density, self._nearby(np.column_stack([x, y]), own))
        brighter = len(self._snr) - int(np.searchsorted(self._snr, least_snr, side="left"))
        share = max(brighter - int(own.sum()), 1) / max(others, 1)
        return density / self._subs, min(share, 1.0)

    def _nearby(self, places: np.ndarray, own: np.ndarray) -> float:
        count = int(own.sum()) + _NEIGHBOURS
        far, _ = self._tree.query(places, count)
        radius2 = np.maximum(far[:, -1], 1.0) ** 2
        apart2 = ((places[:, None] - places[None, own]) ** 2).sum(axis=2)
        others = count - (apart2 <= radius2[:, None]).sum(axis=1)
        return float(np.mean(others / (math.pi * radius2)))
