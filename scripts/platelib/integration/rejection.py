"""Rejection of outliers along a stack of registered images, pixel by pixel.

It takes two steps: a screen clears the pixels of a strip that provably hold no outlier, and the
rule decides on the others one by one, so that the flags are those of the rule alone.

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
from typing import NamedTuple

import numpy as np

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
    KEPT,
    MAD,
    METHODS,
    NOISE,
    SIGMA,
    Rule,
    Tables,
    clip_pair,
    decide,
    esd_limits,
    expected_noise,
    gather,
)
from platelib.integration.spikes import are_any_spikes, clip_spikes, suspect_spikes
from platelib.numerics import aligned
from platelib.numerics.kernels import kernel
from platelib.numerics.mask_bits import SPIKE
from platelib.numerics.order_statistics import sorting_network, valley_network

_SORTING = ("mad", "esd")


@dataclass(frozen=True)
class Rejection:
    """Settings of outlier rejection.

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
    prepared = prepare(values, variances, noise, sky, rejection, compared)
    if flags is None:
        flags = np.empty(values.shape, dtype=np.uint8)
        np.isnan(values, out=flags.view(np.bool_))
    if rejection.method == "none":
        flags[flags == SPIKE] = KEPT
    else:
        _reject(prepared, flags, workspace(len(values), rejection))
    return flags


class Samples(NamedTuple):
    """Registered subs in the form for kernels.

    Attributes
    ----------
    values, variances : numpy.ndarray
        ``(n, ny, nx)`` float32.
    noise : numpy.ndarray
        ``(n,)`` float64, noise of the skies.
    squares : numpy.ndarray
        ``(n,)`` float32, their variances.
    """

    values: np.ndarray
    variances: np.ndarray
    noise: np.ndarray
    squares: np.ndarray


class Prepared(NamedTuple):
    """The input of rejection: samples, the rule, its tables and the second test."""

    samples: Samples
    rule: Rule
    tables: Tables
    compared: Comparison


class Workspace(NamedTuple):
    """The memory that `reject_strip` works in.

    Attributes
    ----------
    work, tally, rows : numpy.ndarray
        Of the screens: ``(8, strip)`` float32, ``(3, strip)`` int32 and ``(n + 3, more)`` float32.
    suspect, spiked : numpy.ndarray
        ``(strip,)`` bool: pixels that the rule is to decide on, and those with a spike.
    pixel : tuple of numpy.ndarray
        Of the rules: samples, expected variances, a buffer, flags and an order, for one pixel.
    around : numpy.ndarray
        From `comparison_workspace`.
    """

    work: np.ndarray
    tally: np.ndarray
    rows: np.ndarray
    suspect: np.ndarray
    spiked: np.ndarray
    pixel: tuple[np.ndarray, ...]
    around: np.ndarray


_NO_LIMITS = np.zeros((1, 1))


def prepare(
    values: np.ndarray,
    variances: np.ndarray,
    noise: np.ndarray,
    sky: float,
    rejection: Rejection,
    compared: Comparison | None,
) -> Prepared:
    """Return the input of `reject_strip`; the arguments are those of `reject`.

    Raises
    ------
    ValueError
        If the method is unknown.
    """
    method, n = rejection.method, len(values)
    if method not in METHODS:
        msg = f"unknown rejection method {method!r}; choose from {', '.join(METHODS)}"
        raise ValueError(msg)
    sorting = method in _SORTING
    rule = Rule(
        METHODS.index(method),
        float(rejection.low),
        float(rejection.high),
        int(rejection.max_iterations),
        float(sky),
        float(rejection.tolerance),
    )
    tables = Tables(
        esd_limits(n, rejection.esd_alpha) if method == "esd" else _NO_LIMITS,
        sorting_network(n if sorting else 1),
        valley_network(n if sorting else 1),
    )
    noise = np.asarray(noise, dtype=np.float64)
    samples = Samples(values, variances, noise, (noise * noise).astype(np.float32))
    return Prepared(samples, rule, tables, compared or no_comparison(n))


def workspace(n: int, rejection: Rejection) -> Workspace:
    """Return the memory that `reject_strip` needs for ``n`` images."""
    size = strip_of(n, rejection.method in _SORTING)
    # Rows that lie a power of two apart would push each other out of the cache.
    rows = aligned.empty((n + 3, size + 16), np.float32)
    state, order = np.empty(n, dtype=np.uint8), np.empty(n + 1, dtype=np.int64)
    return Workspace(
        aligned.empty((8, size), np.float32),
        aligned.empty((3, size), np.int32),
        rows,
        np.empty(size, dtype=np.bool_),
        np.empty(size, dtype=np.bool_),
        (np.empty(n), np.empty(n), np.empty(n + 1), state, order),
        comparison_workspace(),
    )


@kernel
def _reject(prepared, flags, room):
    samples, rule, tables, compared = prepared
    (_, ny, nx), strip = samples.values.shape, room.suspect.size
    for y in range(ny):
        for left in range(0, nx, strip):
            place = (y, left, min(left + strip, nx))
            reject_strip(samples, place, rule, tables, flags, compared, room)


@kernel
def reject_strip(stack, place, rule, tables, flags, compared, room):
    """Flag the outliers of a strip.

    Parameters
    ----------
    stack : Samples
    place : tuple of int
        Row of the strip, its first column and the one after its last.
    rule, tables, compared
        See `Prepared`.
    flags : numpy.ndarray
        ``(n, ny, nx)`` uint8; see `reject`.
    room : Workspace
    """
    values, variances, noise, squares = stack
    y, left, right = place
    work, tally, rows, suspect, spiked, (samples, spread, scratch, state, order), around = room
    _screen(values, variances, squares, place, rule, tables, work, tally, rows, suspect)
    has_partners = compared.partners.shape[1] > 0
    has_spikes = are_any_spikes(flags, place)
    if has_spikes:
        suspect_spikes(flags, place, spiked, suspect)
    for x in range(left, right):
        is_pair = has_partners and tally[0, x - left] == 2
        if not (suspect[x - left] or is_pair):
            continue
        gather(values, y, x, samples, state)
        if not is_pair:
            decide(variances, noise, y, x, rule, tables, samples, state, spread, scratch, order)
        if is_pair or rule.method != NOISE:
            expected_noise(variances, noise, y, x, state, spread, scratch)
        if is_pair:
            clip_pair(samples, state, spread, rule.high)
        if has_partners:
            compare(
                values, variances, squares, y, x, rule.sky, state, spread, flags, compared, around
            )
        if has_spikes and spiked[x - left]:
            clip_spikes(flags, y, x, samples, state, spread, rule.sky, scratch)
        for i in range(noise.size):
            flags[i, y, x] = state[i]


@kernel
def _screen(values, variances, squares, place, rule, tables, work, tally, rows, suspect):
    y, left, right = place
    low, high = rule.low, rule.high
    if rule.method == NOISE:
        screen_noise(
            values, variances, y, left, right, squares, rule.sky, low, high, rule.tolerance,
            work, tally, suspect,
        )  # fmt: skip
    elif rule.method == SIGMA:
        screen_sigma(values, y, left, right, low, high, work, tally, suspect)
    elif rule.method == MAD:
        screen_mad(
            values, y, left, right, low, high, tables.network, tables.valley, rows, tally, suspect
        )
    else:
        screen_esd(values, y, left, right, tables.limits, tables.network, rows, tally, suspect)


def warm_up() -> None:
    """Compile the kernels of this module."""
    values = np.ones((3, 2, 2), dtype=np.float32)
    reject(values, values, np.ones(3), 0.0, Rejection("mad"))  # all methods are compiled in one
