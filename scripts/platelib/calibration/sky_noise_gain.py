"""The gain of a camera from the noise of lights alone, if it is not known otherwise.

In the difference of two subs of one setting everything fixed in the frame cancels, and its variance
is that of photons and of reading: photon transfer (Janesick 2001, *Scientific Charge-Coupled
Devices*), with the sky for the lamp. The sky is rarely even, steady and free of stars, and its zero
point is often unknown. What is used is therefore a limit on the safe side: errors of bright stars
may come out too large, not too small.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from platelib.calibration.photon_transfer import cell_size
from platelib.numerics.constants import MEDIAN_ERROR
from platelib.numerics.medians import mad_sigma

_ALIKE = 0.1
_FEWEST_PAIRS = 3
_ROUNDS = 8
_CLIP = 3.0
_SAFE = 0.97725
"""Share of cases in which a limit holds: that of two standard errors, however few the pairs."""
_BRIGHT_SHARE = 0.1
_FEWEST_CELLS = 8
_FEWEST_PIXELS = 64
_DARK_SHARE = 1 / 3
_FAR = 4.0


@dataclass(frozen=True)
class SkyCells:
    """Level and noise of the sky in two subs, cell by cell.

    Attributes
    ----------
    level : numpy.ndarray
        ``(n,)`` of the sky without stars, ADU.
    variance : numpy.ndarray
        ``(n,)`` of a pixel in one of the subs, ADU^2, without what is fixed in the frame.
    """

    level: np.ndarray
    variance: np.ndarray


@dataclass(frozen=True)
class LightVariance:
    """Variance that light adds, for each ADU of it: 1 / gain.

    Attributes
    ----------
    limit : float
        ADU, larger than the estimate by two standard errors, or by what cannot be known.
    estimate, error : float
        The best estimate and its standard error; NaN where there is only a limit.
    """

    limit: float
    estimate: float
    error: float


def sky_cells(first: np.ndarray, second: np.ndarray) -> SkyCells:
    """Compare a band of two subs of the same setting, one soon after the other.

    In each cell the darkest third of the pixels counts, by the sum of both subs: stars of either
    are not among them. Given the sum of two counts of photons, the variance of their difference is
    that sum (two Poisson variables given their sum are binomial), so that what was chosen by the
    sum has its own level; read noise, which is chosen as well, makes the level a little too low.

    Parameters
    ----------
    first, second : numpy.ndarray
        ``(ny, nx)`` float32, raw, ADU: a band of `platelib.calibration.photon_transfer.bands`.

    Returns
    -------
    SkyCells
        Those in which the levels agree within 10 %: elsewhere a cloud or the dawn has come between.
    """
    ny, nx = first.shape
    size = cell_size(ny, nx)
    cells = []
    for top in range(0, ny - size + 1, size):
        for left in range(nx // 8, nx - nx // 8 - size + 1, size):
            here = np.s_[top : top + size, left : left + size]
            cells.append(
                _cell(*(frame[here].ravel().astype(np.float64) for frame in (first, second)))
            )
    found = [cell for cell in cells if cell is not None]
    level, variance = np.array(found).reshape(-1, 2).T
    return SkyCells(level, variance)


def _cell(one: np.ndarray, two: np.ndarray) -> tuple[float, float] | None:
    """Return level and variance of a cell of two subs; None if they differ too much."""
    total, difference = one + two, one - two
    total, difference = (values[np.isfinite(total)] for values in (total, difference))
    if total.size < _FEWEST_PIXELS:
        return None
    dark = (
        total <= np.partition(total, int(_DARK_SHARE * total.size))[int(_DARK_SHARE * total.size)]
    )
    values = difference[dark] - np.median(difference[dark])
    level = 0.5 * float(total[dark].mean())
    if abs(float(np.median(difference[dark]))) > _ALIKE * level:
        return None
    width = mad_sigma(values, 0.0) or float(values.std())
    for _ in range(_ROUNDS):
        kept = np.abs(values) <= _FAR * width
        width = float(values[kept].std())
    if not width > 0:
        return None
    return level, 0.5 * width**2


def light_variance(
    pairs: Sequence[SkyCells], zero: float | None = None, read_variance: float = 0.0
) -> LightVariance | None:
    """Find how much variance light adds.

    With a known zero point it is the variance of the sky over its level. Else it is the slope of
    the variance with the level. Three limits hold in any case: two standard errors more than the
    estimate; the variance over the difference between the bright and the darkest sky, since the
    darkest has some light as well; and the noise of the darkest sky, since that is one electron or
    more.

    Parameters
    ----------
    pairs : sequence of SkyCells
        Of one setting of the camera.
    zero : float, optional
        Level without light, ADU, from a bias or a dark.
    read_variance : float
        Square of the read noise, ADU^2; 0 if it is not known, which is on the safe side.

    Returns
    -------
    LightVariance or None
        Rounded to three digits; None if there are hardly any cells.
    """
    pairs = [pair for pair in pairs if pair.level.size]
    level, variance = (
        np.concatenate([getattr(pair, name) for pair in pairs] or [np.zeros(0)])
        for name in ("level", "variance")
    )
    if level.size < _FEWEST_CELLS:
        return None
    limits = [float(np.sqrt(min(np.median(pair.variance) for pair in pairs)))]
    if zero is not None:
        ratios = [_ratio(pair, zero, read_variance) for pair in pairs]
        ratios = [ratio for ratio in ratios if np.isfinite(ratio) and ratio > 0]
        estimate = float(np.median(ratios)) if ratios else np.nan
        error = _error_of_median(ratios)
    else:
        bright = level >= np.quantile(level, 1 - _BRIGHT_SHARE)
        span = float(np.median(level[bright]) - level.min())
        if span > 0:
            limits.append(float(np.median(variance[bright])) / span)
        estimate, error = _slope(pairs)
    from scipy.special import stdtrit  # slow to import, and only needed here

    safe = float(stdtrit(max(len(pairs) - 1, 1), _SAFE)) * error
    if estimate + safe > 0:
        limits.append(estimate + safe)
    known = np.isfinite(error) and estimate > safe
    return LightVariance(
        _three_digits(min(limits)),
        _three_digits(estimate) if known else np.nan,
        _three_digits(error) if known else np.nan,
    )


def limit_of_one(
    level: np.ndarray, noise: np.ndarray, is_above_zero: bool, read_variance: float = 0.0
) -> float:
    """Return a limit on the variance that light adds, from a single sub.

    Parameters
    ----------
    level, noise : numpy.ndarray
        Of the cells of its sky, ADU; the noise is that of a pixel, with what is fixed in the frame.
    is_above_zero : bool
        Whether the level counts from the one without light.
    read_variance : float
        Square of the read noise, ADU^2.

    Returns
    -------
    float
        ADU, rounded to three digits; see :func:`light_variance`.
    """
    typical = float(np.median(noise))
    limits = [typical]
    bright = level >= np.quantile(level, 1 - _BRIGHT_SHARE)
    span = float(np.median(level[bright]) - level.min())
    if span > 0:
        limits.append(float(np.median(noise[bright])) ** 2 / span)
    light = float(np.median(level))
    if is_above_zero and light > 0 and typical**2 > read_variance:
        limits.append((typical**2 - read_variance) / light)
    return _three_digits(min(limits))


def _ratio(pair: SkyCells, zero: float, read_variance: float) -> float:
    light = pair.level - zero
    lit = light > 0
    if not lit.any():
        return np.nan
    return float(np.median((pair.variance[lit] - read_variance) / light[lit]))


def _error_of_median(values: Sequence[float]) -> float:
    """Return the standard error of a median from the scatter; for few values, half the median."""
    if len(values) < _FEWEST_PAIRS:
        return 0.5 * float(np.median(values)) if len(values) else np.nan
    return MEDIAN_ERROR * mad_sigma(values) / np.sqrt(len(values))


def _slope(pairs: Sequence[SkyCells]) -> tuple[float, float]:
    """Return the slope of the variance with the level, and its error by the jackknife over pairs.

    Stars that wander or change between two subs add to the variance of all cells of a pair, so that
    pairs, not cells, are independent (Efron and Tibshirani 1993, section 11.5).
    """
    if len(pairs) < _FEWEST_PAIRS:
        return np.nan, np.nan
    whole = _fitted(pairs)
    parts = np.array([_fitted([*pairs[:k], *pairs[k + 1 :]]) for k in range(len(pairs))])
    spread = float(np.sum((parts - parts.mean()) ** 2))
    return whole, float(np.sqrt((len(pairs) - 1) / len(pairs) * spread))


def _fitted(pairs: Sequence[SkyCells]) -> float:
    """Fit a straight line, weighted by the noise of variances, without outliers; its slope."""
    level = np.concatenate([pair.level for pair in pairs])
    variance = np.concatenate([pair.variance for pair in pairs])
    slope, fit = 0.0, np.full(level.size, np.median(variance))
    kept = np.ones(level.size, dtype=bool)
    for _ in range(_ROUNDS):
        relative = variance / fit - 1
        middle = np.median(relative[kept])
        width = mad_sigma(relative[kept], middle)
        kept = np.abs(relative - middle) <= _CLIP * max(width, 1e-6)
        weight = kept / fit**2
        total = weight.sum()
        x, y = (float((weight * values).sum() / total) for values in (level, variance))
        across = float((weight * (level - x) ** 2).sum())
        if across <= 0:
            return np.nan
        slope = float((weight * (level - x) * (variance - y)).sum()) / across
        fit = np.maximum(y + slope * (level - x), 0.1 * np.median(variance))
    return slope


def _three_digits(value: float) -> float:
    return float(f"{value:.3g}")
