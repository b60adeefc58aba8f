"""Rejection of outliers along a stack of registered images, and the weighted mean of the rest.

The work is done in three passes over a block of the stack: :func:`reject` flags samples pixel by
pixel, :func:`grow` extends the flags to the neighbours of what was struck, :func:`average` forms
the weighted mean with its variance. Samples of a pixel are always summed in the order of the
stack, so the result does not depend on how the image was cut into blocks.

Rejection itself is two steps: a screen clears the pixels of a strip that provably hold no outlier,
and the rule decides on the others one by one, so that the flags are those of the rule alone.

Methods
-------
``noise``
    A sample is rejected when it differs from the median by more than ``low`` or ``high`` times
    the noise that the detector model expects of it. It works from three samples on, because the
    spread is not estimated from the few samples themselves.
``sigma``
    Iterated about the median with the standard deviation of the samples.
``mad``
    The same with 1.4826 times the median absolute deviation.
``esd``
    Generalised extreme studentised deviate, Rosner (1983), Technometrics 25, 165, for up to a
    third of the samples: with more, the test of few samples strikes far more often than alpha.
``none``
    Nothing is rejected.
"""

from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np

from platelib.integration.local_weights import WeightTable
from platelib.integration.psf_comparison import (
    Comparison,
    compare,
    comparison_workspace,
    no_comparison,
)
from platelib.integration.rejection_prefilter import (
    screen_esd,
    screen_mad,
    screen_noise,
    screen_sigma,
    strip_of,
)
from platelib.integration.rejection_rules import (
    HIGH,
    INVALID,
    KEPT,
    LOW,
    clip_esd,
    clip_expected,
    clip_pair,
    clip_spikes,
    clip_spread,
    expected_noise,
    gather,
)
from platelib.integration.weighted_mean import (
    Average,
    average,
    average_strip,
    blank_average,
    grow,
    grow_averaged,
    room_of_strip,
    table_of,
)
from platelib.numerics import aligned
from platelib.numerics.kernels import kernel
from platelib.numerics.mask_bits import SPIKE
from platelib.numerics.order_statistics import sorting_network, valley_network

__all__ = [
    "HIGH", "INVALID", "KEPT", "LOW", "METHODS",
    "Average", "Rejection", "average", "clipped_average", "esd_limits", "grow", "reject",
]  # fmt: skip

METHODS = ("none", "noise", "sigma", "mad", "esd")
_NONE, _NOISE, _SIGMA, _MAD, _ESD = range(5)
_SORTING = ("mad", "esd")


@dataclass(frozen=True)
class Rejection:
    """How outliers are found.

    Attributes
    ----------
    method : str
        One of ``METHODS``.
    low, high : float
        Limits below and above the centre, in units of the spread.
    max_iterations : int
        Rounds of rejection at most.
    tolerance : float
        ``noise`` only: the fraction of a pixel's signal above the sky by which seeing and
        guiding may change it, added to its expected noise in quadrature.
    esd_alpha : float
        ``esd`` only: significance level of the test.
    """

    method: str = "noise"
    low: float = 4.0
    high: float = 4.0
    max_iterations: int = 5
    tolerance: float = 0.12
    esd_alpha: float = 0.01


def reject(
    values: np.ndarray,
    variances: np.ndarray,
    noise: np.ndarray,
    sky: float,
    rejection: Rejection,
    flags: np.ndarray | None = None,
    compared: Comparison | None = None,
) -> np.ndarray:
    """Flag the outliers of every pixel.

    Parameters
    ----------
    values : numpy.ndarray
        ``(n, ny, nx)`` float32, registered and brought to one scale; NaN = no data.
    variances : numpy.ndarray
        ``(n, ny, nx)`` float32, expected variances of ``values``; read by ``noise`` only.
    noise : numpy.ndarray
        ``(n,)`` float64, noise of the sky of each image, in the unit of ``values``.
    sky : float
        The common sky level of ``values``.
    rejection : Rejection
        Method and limits.
    flags : numpy.ndarray, optional
        ``(n, ny, nx)`` uint8, 1 where ``values`` are NaN, `platelib.numerics.mask_bits.SPIKE`
        where the sub shows a spike, else 0; it gets the result.
    compared : Comparison, optional
        The second test, at equal star images; without it the first one decides alone.

    Returns
    -------
    numpy.ndarray
        ``(n, ny, nx)`` uint8: 0 kept, 1 no data, 2 rejected as low, 3 rejected as high.

    Raises
    ------
    ValueError
        If the method is unknown.
    """
    rule, tables = _as_kernels_take_it(rejection, len(values), sky)
    if flags is None:
        flags = np.empty(values.shape, dtype=np.uint8)
        np.isnan(values, out=flags.view(np.bool_))
    if rejection.method == "none":
        flags[flags == SPIKE] = KEPT
    else:
        noise = np.asarray(noise, dtype=np.float64)
        compared = compared or no_comparison(len(values))
        room = _room(len(values), rejection)
        _reject(values, variances, noise, _squares(noise), rule, tables, flags, compared, room)
    return flags


def clipped_average(
    values: np.ndarray,
    variances: np.ndarray,
    noise: np.ndarray,
    sky: float,
    rejection: Rejection,
    weights: np.ndarray | WeightTable,
    flags: np.ndarray,
    grow_px: int = 0,
    part: tuple[slice, slice] = (slice(None), slice(None)),
    compared: Comparison | None = None,
) -> Average:
    """Reject outliers, extend the rejections, and average what is kept.

    The same as :func:`reject`, :func:`grow` and :func:`average` one after the other, to the last
    bit; but each strip is averaged while it lies in the processor's cache.

    Parameters
    ----------
    values, variances, noise, sky, rejection
        As for :func:`reject`.
    weights : numpy.ndarray or WeightTable
        As for :func:`average`.
    flags : numpy.ndarray
        As for :func:`reject`; it gets the result, in the part and ``grow_px + 1`` around it.
    grow_px : int
        Reach of :func:`grow`.
    part : tuple of slice, optional
        Average only these rows and columns.
    compared : Comparison, optional
        As for :func:`reject`.

    Returns
    -------
    Average

    Raises
    ------
    ValueError
        If the method is unknown.
    """
    rule, tables = _as_kernels_take_it(rejection, len(values), sky)
    (top, bottom, _), (left, right, _) = (
        axis.indices(size) for axis, size in zip(part, values.shape[1:], strict=True)
    )
    corner, result = (top, left), blank_average(len(values), (bottom - top, right - left))
    room = _room(len(values), rejection)
    _reject_and_average(
        values,
        variances,
        noise,
        _squares(noise),
        rule,
        tables,
        flags,
        table_of(weights),
        corner,
        grow_px + 1 if grow_px else 0,  # what grows into the part, and its company
        result.planes,
        result.tally,
        compared or no_comparison(len(values)),
        room,
        room_of_strip(room[3].size),
    )
    grow_averaged(
        values, variances, weights, flags, grow_px, corner, result, sky=sky, compared=compared
    )
    return result


class _Rule(NamedTuple):
    """A rejection as kernels take it."""

    method: int
    low: float
    high: float
    max_iterations: int
    sky: float
    tolerance: float


class _Tables(NamedTuple):
    """What is made once for so many samples: critical values and networks."""

    limits: np.ndarray
    network: np.ndarray
    valley: np.ndarray


_NO_LIMITS = np.zeros((1, 1))


def _as_kernels_take_it(rejection: Rejection, n: int, sky: float) -> tuple[_Rule, _Tables]:
    method = rejection.method
    if method not in METHODS:
        msg = f"unknown rejection method {method!r}; choose from {', '.join(METHODS)}"
        raise ValueError(msg)
    sorting = method in _SORTING
    rule = _Rule(
        METHODS.index(method),
        float(rejection.low),
        float(rejection.high),
        int(rejection.max_iterations),
        float(sky),
        float(rejection.tolerance),
    )
    tables = _Tables(
        esd_limits(n, rejection.esd_alpha) if method == "esd" else _NO_LIMITS,
        sorting_network(n if sorting else 1),
        valley_network(n if sorting else 1),
    )
    return rule, tables


def esd_limits(n: int, alpha: float) -> np.ndarray:
    """Critical values of the generalised ESD test.

    Parameters
    ----------
    n : int
        The largest number of samples.
    alpha : float
        Significance level.

    Returns
    -------
    numpy.ndarray
        ``(n + 1, n // 3 + 1)`` float64; ``[m, i]`` is lambda_i (i from 1) of ``m`` samples,
        Rosner (1983), eq. 2.5.
    """
    from scipy.special import stdtrit  # slow to import, and only needed here

    limits = np.full((n + 1, n // 3 + 1), np.inf)
    m, i = np.indices(limits.shape)
    tested = (i >= 1) & (i <= m // 3) & (m - i >= 2)
    m, i = m[tested], i[tested]
    quantile = stdtrit(m - i - 1, 1 - alpha / (2 * (m - i + 1)))
    limits[tested] = quantile * (m - i) / np.sqrt((m - i - 1 + quantile**2) * (m - i + 1))
    return limits


def _squares(noise: np.ndarray) -> np.ndarray:
    return (noise * noise).astype(np.float32)


def _room(n: int, rejection: Rejection) -> tuple[Any, ...]:
    """Return what `_reject_strip` needs to work."""
    size = strip_of(n, rejection.method in _SORTING)
    work = aligned.empty((8, size), np.float32)
    tally = aligned.empty((3, size), np.int32)
    # Rows that lie a power of two apart would push each other out of the cache.
    rows = aligned.empty((n + 3, size + 16), np.float32)
    suspect, spiked = np.empty(size, dtype=np.bool_), np.empty(size, dtype=np.bool_)
    state, order = np.empty(n, dtype=np.uint8), np.empty(n + 1, dtype=np.int64)
    samples = (np.empty(n), np.empty(n), np.empty(n + 1), state, order)
    return work, tally, rows, suspect, spiked, samples, comparison_workspace()


@kernel
def _reject(values, variances, noise, squares, rule, tables, flags, compared, room):
    (_, ny, nx), strip = values.shape, room[3].size
    for y in range(ny):
        for left in range(0, nx, strip):
            place = (y, left, min(left + strip, nx))
            _reject_strip(
                values, variances, noise, squares, place, rule, tables, flags, compared, room
            )


@kernel
def _reject_and_average(
    values, variances, noise, squares, rule, tables, flags, weights, corner, margin, planes, tally,
    compared, room, sums,
):  # fmt: skip
    (_, ny, nx), strip = values.shape, room[3].size
    height, width = planes[0].shape
    top, bottom = max(corner[0] - margin, 0), min(corner[0] + height + margin, ny)
    start, stop = max(corner[1] - margin, 0), min(corner[1] + width + margin, nx)
    for row in range(ny):
        if row < top or row >= bottom:
            _forget_spikes(flags, (row, 0, nx))
            continue
        _forget_spikes(flags, (row, 0, start))
        _forget_spikes(flags, (row, stop, nx))
        for left in range(start, stop, strip):
            right = min(left + strip, stop)
            place = (row, left, right)
            if rule.method == _NONE:
                _forget_spikes(flags, place)
            else:
                _reject_strip(
                    values, variances, noise, squares, place, rule, tables, flags, compared, room
                )
            y, first = row - corner[0], max(left - corner[1], 0)
            last = min(right - corner[1], width)
            if 0 <= y < height and first < last:
                place = (y, first, last)
                average_strip(values, variances, weights, flags, corner, place, planes, tally, sums)


@kernel
def _reject_strip(
    values, variances, noise, squares, place, rule, tables, flags, compared, room
):  # fmt: skip
    y, left, right = place
    work, tally, rows, suspect, spiked, (samples, spread, scratch, state, order), around = room
    _screen(values, variances, squares, place, rule, tables, work, tally, rows, suspect)
    has_partners = compared.partners.shape[1] > 0
    has_spikes = _are_any_spikes(flags, place)
    if has_spikes:
        _suspect_spikes(flags, place, spiked, suspect)
    for x in range(left, right):
        is_pair = has_partners and tally[0, x - left] == 2
        if not (suspect[x - left] or is_pair):
            continue
        gather(values, y, x, samples, state)
        if not is_pair:
            _decide(variances, noise, y, x, rule, tables, samples, state, spread, scratch, order)
        if is_pair or rule.method != _NOISE:
            expected_noise(variances, noise, y, x, state, spread, scratch)
        if is_pair:
            clip_pair(samples, state, spread, rule.high)
        compare(values, variances, squares, y, x, rule.sky, state, spread, flags, compared, around)
        if has_spikes and spiked[x - left]:
            clip_spikes(flags, y, x, samples, state, spread, rule.sky, scratch)
        for i in range(noise.size):
            flags[i, y, x] = state[i]


@kernel
def _are_any_spikes(flags, place):
    y, left, right = place
    found = np.uint8(0)
    for i in range(len(flags)):
        row = flags[i, y, left:right]
        for p in range(row.size):
            found = np.uint8(found | row[p])
    return found & SPIKE != 0


@kernel
def _suspect_spikes(flags, place, spiked, suspect):
    """Fill in which pixels have a spike, and suspect them."""
    y, left, right = place
    for p in range(right - left):
        spiked[p] = False
    for i in range(len(flags)):
        row = flags[i, y, left:right]
        for p in range(row.size):
            spiked[p] |= row[p] == SPIKE
    for p in range(right - left):
        suspect[p] |= spiked[p]


@kernel
def _forget_spikes(flags, place):
    y, left, right = place
    for i in range(len(flags)):
        row = flags[i, y, left:right]
        for p in range(row.size):
            row[p] = INVALID if row[p] == INVALID else KEPT


@kernel
def _screen(values, variances, squares, place, rule, tables, work, tally, rows, suspect):
    y, left, right = place
    low, high = rule.low, rule.high
    if rule.method == _NOISE:
        screen_noise(
            values, variances, y, left, right, squares, rule.sky, low, high, rule.tolerance,
            work, tally, suspect,
        )  # fmt: skip
    elif rule.method == _SIGMA:
        screen_sigma(values, y, left, right, low, high, work, tally, suspect)
    elif rule.method == _MAD:
        screen_mad(
            values, y, left, right, low, high, tables.network, tables.valley, rows, tally, suspect
        )
    else:
        screen_esd(values, y, left, right, tables.limits, tables.network, rows, tally, suspect)


@kernel
def _decide(variances, noise, y, x, rule, tables, samples, state, spread, scratch, order):
    low, high, rounds = rule.low, rule.high, rule.max_iterations
    if rule.method == _NOISE:
        expected_noise(variances, noise, y, x, state, spread, scratch)
        clip_expected(samples, state, spread, rule.sky, low, high, rounds, rule.tolerance, scratch)
    elif rule.method == _ESD:
        clip_esd(samples, state, tables.limits, scratch, order)
    else:
        use_mad = rule.method == _MAD
        clip_spread(samples, state, use_mad, low, high, rounds, scratch)


def warm_up() -> None:
    """Compile the kernels of this module."""
    values = np.ones((3, 2, 2), dtype=np.float32)
    noise, rejection = np.ones(3), Rejection("mad")  # all methods are compiled in one
    flags = reject(values, values, noise, 0.0, rejection)
    clipped_average(values, values, noise, 0.0, rejection, noise, flags, 1)
