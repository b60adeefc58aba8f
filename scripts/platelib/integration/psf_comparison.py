"""The second test of rejection: comparison with other subs after PSF matching.

Where there is starlight, a sample may differ from the median of the stack because the seeing
differed, by far more than noise. So a sample that stands out from the median is only rejected if
it also stands out from what its partners (:mod:`platelib.integration.psf_kernels`) predict for it.

- The prediction is the weighted median over the partners, each convolved to the star image of the
  tested sub. The tested sub itself is never convolved, so a cosmic ray in it is not diluted.
- Beside the noise it may miss by the misfit that its kernels showed on stars.
- A difference in proportion to the light of the star, as a variable star or a thin cloud makes it,
  is no outlier: the light of the pixels around tells.
- The sharpest subs have only softer partners, and sharpening amplifies noise. There, where too
  little light is near for the seeing to matter, the comparison with the median decides alone; and
  a sample above all light that its star image could gather is rejected.
- The comparison says nothing about saturated stars, and their samples are kept.
"""

from typing import NamedTuple

import numpy as np

from platelib.integration.psf_kernels import PsfKernels, no_kernels
from platelib.integration.psf_partners import PARTNERS
from platelib.integration.psf_prediction import (
    MISFITS,
    QUIET,
    allowed,
    convolve,
    light_of_partners,
    predict,
    sort_with,
)
from platelib.integration.rejection_rules import HIGH, INVALID, KEPT, LOW
from platelib.numerics.kernels import kernel
from platelib.numerics.mask_bits import SPIKE

AROUND = 2
"""Pixels on each side of a sample whose light tells whether all of a star has changed."""
LIT = 3.0
"""Light that is so many times its noise may differ by the seeing from sub to sub."""
_SIGMAS, _SIGMAS_ALONE, _SIGMAS_OF_SPIKE = 3.0, 4.0, 2.0
_MISFITS_OF_SPIKE = 0.75
_AGREES_SIGMAS = 2.0
_NARROW_SHARE = 0.08
_DARK, _LARGEST_SOFTNESS = 0.7, 1.25
"""Light around a sample, in its noise, below which no star is near, except where a sub is softer
than a partner by so much that it shows wings where the partner shows none."""
_FEWEST_AROUND = 5
_LARGEST_CHANGE = 1.35
"""Variable stars and clouds may change all of a star's light by this factor from sub to sub."""
_SATURATED_SHARE = 0.5


class Comparison(NamedTuple):
    """The input of the second test, for kernels.

    Attributes
    ----------
    partners, taps, misfit, fwhm_px : numpy.ndarray
        See `platelib.integration.psf_kernels.PsfKernels`.
    saturation : numpy.ndarray
        ``(n,)`` float64: values from which on a sub is saturated; infinity where unknown.
    tolerance : float
        Least share of the light by which predictions may miss.
    """

    partners: np.ndarray
    taps: np.ndarray
    misfit: np.ndarray
    fwhm_px: np.ndarray
    saturation: np.ndarray
    tolerance: float

    @property
    def margin(self) -> int:
        """Number of pixels around a sample used by the test."""
        return self.taps.shape[-1] // 2 + AROUND if self.partners.shape[1] else 0


class Tested(NamedTuple):
    """A sample in the second test.

    Attributes
    ----------
    i, y, x : int
        Sub and pixel.
    spread : float
        Expected variance.
    first : int
        Flag by the first test.
    spike : bool
        Whether it lies beside a pixel that is sharper than stars.
    """

    i: int
    y: int
    x: int
    spread: float
    first: int
    spike: bool


def comparison(kernels: PsfKernels, saturation: np.ndarray, tolerance: float) -> Comparison:
    """Prepare the second test.

    Parameters
    ----------
    kernels : PsfKernels
    saturation : numpy.ndarray
        ``(n,)`` float64, see `Comparison`.
    tolerance : float
        Share of the light, see `Comparison`.
    """
    return Comparison(
        kernels.partners,
        kernels.taps,
        kernels.misfit,
        kernels.fwhm_px,
        np.asarray(saturation, dtype=np.float64),
        float(tolerance),
    )


def no_comparison(n: int) -> Comparison:
    """Return the comparison of subs without partners, which confirms every rejection."""
    return comparison(no_kernels(n), np.full(n, np.inf), 0.0)


def comparison_workspace() -> np.ndarray:
    """Return the memory that `compare` works in."""
    return np.empty((5, max(PARTNERS, (2 * AROUND + 1) ** 2)))


@kernel
def compare(values, variances, squares, y, x, sky, state, spread, flags, compared, work):
    """Decide on the samples of a pixel with outliers in the first test.

    Parameters
    ----------
    values, variances : numpy.ndarray
        ``(n, ny, nx)`` float32.
    squares : numpy.ndarray
        ``(n,)`` float32 variances of the skies.
    y, x : int
        The pixel.
    sky : float
    state : numpy.ndarray
        ``(n,)`` uint8 flags by the first test; changed in place.
    spread : numpy.ndarray
        ``(n,)`` float64 expected variances.
    flags : numpy.ndarray
        ``(n, ny, nx)`` uint8; those of this pixel may be `platelib.numerics.mask_bits.SPIKE`.
    compared : Comparison
    work : numpy.ndarray
        From `comparison_workspace`.
    """
    count = 0
    for i in range(state.size):
        if state[i] != INVALID:
            count += 1
    lit = count > 2 and _is_lit(values, y, x, sky, spread, state)
    for i in range(state.size):
        first = state[i]
        if first == INVALID or not (lit or first != KEPT):
            continue
        spike = flags[i, y, x] == SPIKE
        if first == KEPT and not spike and _lies_between(values, spread, i, y, x, sky, compared):
            continue
        sample = Tested(i, y, x, spread[i], first, spike)
        state[i] = _judge(values, variances, squares, sky, sample, compared, work)


@kernel
def _is_lit(values, y, x, sky, spread, state):
    """Return whether half of the samples show light above their noise."""
    above, count = 0, 0
    for i in range(state.size):
        if state[i] != INVALID:
            count += 1
            light = values[i, y, x] - sky
            if light > 0.0 and light * light > LIT * LIT * spread[i]:
                above += 1
    return 2 * above >= count


@kernel
def _lies_between(values, spread, i, y, x, sky, compared):
    """Return whether a sample agrees with the unconvolved partners nearest in width."""
    low, high, noise = np.inf, -np.inf, spread[i]
    sharper, softer = False, False
    for k in range(compared.partners.shape[1]):
        j = compared.partners[i, k]
        is_sharper = compared.fwhm_px[j] <= compared.fwhm_px[i]
        value = values[j, y, x]
        if value != value or (sharper if is_sharper else softer):
            continue
        if is_sharper:
            sharper = True
        else:
            softer = True
        low, high = min(low, value), max(high, value)
        noise = max(noise, spread[j])
    if not (sharper and softer):
        return False
    sigma = np.sqrt(noise)
    value = values[i, y, x]
    narrow = high - low < 4.0 * sigma + _NARROW_SHARE * max(low - sky, 0.0)
    return narrow and low - 2.0 * sigma < value < high + 2.0 * sigma


@kernel
def _judge(values, variances, squares, sky, sample, compared, work):
    """Return the flag of a sample from that of the first test and from its partners."""
    i, y, x, spread, first, spike = sample
    light = float(values[i, y, x]) - sky
    around, mean, bound, softness = light_of_partners(values, i, y, x, sky, compared, work)
    if around < 0.0:
        return first  # no partner has data: there is nothing to compare with
    dark = mean * max(bound, 1.0) < _DARK * np.sqrt(spread) and softness < _LARGEST_SOFTNESS
    if first != KEPT and dark:
        return first  # no star is near whose image could matter
    if not spike and _agrees_with_nearest(values, variances, i, y, x, sky, spread, light, compared):
        return np.uint8(KEPT)
    if around > _SATURATED_SHARE * _least_saturation(i, compared, sky):
        return np.uint8(KEPT)
    expected, noise, misfit, top, count = predict(values, variances, i, y, x, sky, compared, work)
    if light > 0.0 and expected > 0.0:
        # Photon noise of the light that is expected, not of the light that is there.
        photons = max(variances[i, y, x] - squares[i], 0.0) * min(expected / light, 3.0)
        spread = max(spread, squares[i] + photons)
    if noise >= 0.0:
        side = HIGH if light > expected else LOW
        # One of two partners may have been hit itself.
        if side == LOW and first == KEPT and count < 3:
            return np.uint8(KEPT)
        sign = 1.0 if side == HIGH else -1.0
        sigmas, misfits = _SIGMAS if first == side else _SIGMAS_ALONE, MISFITS
        if spike and side == HIGH:
            sigmas, misfits = _SIGMAS_OF_SPIKE, _MISFITS_OF_SPIKE
        limit = sigmas * np.sqrt(spread + noise) + allowed(around, misfits * misfit, top, compared)
        if sign * (light - expected) > limit:
            change = _common_change(values, variances, i, y, x, sky, expected, compared, work)
            if sign * (light - change * expected) > limit:
                return np.uint8(side)
        if noise <= QUIET * spread:
            return np.uint8(KEPT)
    # Partners that are much softer tell little: what could seeing do at most?
    sigma = np.sqrt(spread)
    if first != KEPT and mean * bound * 1.5 < 2.0 * sigma:
        return first
    if first == HIGH and light > 1.25 * (1.0 + bound) * around + 3.0 * sigma:
        return first
    return np.uint8(KEPT)


@kernel
def _agrees_with_nearest(values, variances, i, y, x, sky, spread, light, compared):
    """Return whether the partner of the nearest width predicts just this light, as most do."""
    j = compared.partners[i, 0]
    value, noise, _ = convolve(values[j], variances[j], y, x, sky, compared.taps[i, 0])
    if noise < 0.0 or noise > QUIET * spread:
        return False
    difference = light - value
    return difference * difference < _AGREES_SIGMAS * _AGREES_SIGMAS * (spread + noise)


@kernel
def exceeds(values, variances, i, y, x, sky, side, sigmas, compared, work):
    """Return whether a sample exceeds the prediction by a multiple of its noise.

    It does not where there is no prediction, or one that is much noisier than the sample.
    """
    around, _, _, _ = light_of_partners(values, i, y, x, sky, compared, work)
    expected, noise, misfit, top, _ = predict(values, variances, i, y, x, sky, compared, work)
    spread = float(variances[i, y, x])
    if around < 0.0 or noise < 0.0 or noise > QUIET * spread:
        return False
    excess = (values[i, y, x] - sky) - expected
    limit = sigmas * np.sqrt(spread + noise) + allowed(around, MISFITS * misfit, top, compared)
    return (excess if side == HIGH else -excess) > limit


@kernel
def _least_saturation(i, compared, sky):
    least = compared.saturation[i]
    for k in range(compared.partners.shape[1]):
        least = min(least, compared.saturation[compared.partners[i, k]])
    return least - sky


@kernel
def _common_change(values, variances, i, y, x, sky, expected, compared, work):
    """Factor by which the light around a sample differs from that of the nearest partner.

    It is 1 where little light is expected or too few pixels tell.
    """
    _, ny, nx = values.shape
    if expected <= 0.0 or expected * expected < LIT * LIT * variances[i, y, x]:
        return 1.0
    shares, j, taps = work[3], compared.partners[i, 0], compared.taps[i, 0]
    count = 0
    for v in range(max(0, y - AROUND), min(ny, y + AROUND + 1)):
        for u in range(max(0, x - AROUND), min(nx, x + AROUND + 1)):
            value = values[i, v, u]
            if (v == y and u == x) or value != value:
                continue
            light, noise, _ = convolve(values[j], variances[j], v, u, sky, taps)
            if noise >= 0.0 and light > 0.2 * expected and light * light > 25.0 * noise:
                shares[count] = (value - sky) / light
                count += 1
    if count < _FEWEST_AROUND:
        return 1.0
    sort_with(shares, work[4], count)
    middle = 0.5 * (shares[(count - 1) // 2] + shares[count // 2])
    return min(max(middle, 1.0 / _LARGEST_CHANGE), _LARGEST_CHANGE)
