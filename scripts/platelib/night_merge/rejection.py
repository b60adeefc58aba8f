"""Rejection across nights in a strip of a row: prefilter, exact rule, comparison of star images."""

from typing import NamedTuple

import numpy as np

from platelib.integration.psf_comparison import Comparison, compare, comparison_workspace
from platelib.integration.rejection_rules import clip_pair, gather
from platelib.integration.spikes import are_any_spikes, clip_spikes, suspect_spikes
from platelib.night_merge.prefilter import PLANES, screen
from platelib.night_merge.rules import (
    Rule,
    Stack,
    Systematic,
    add_offset_of_partners,
    clip_weighted,
    expected_spread,
)
from platelib.numerics import aligned
from platelib.numerics.kernels import kernel


class Prepared(NamedTuple):
    """The input of rejection: samples, rule, systematic differences and the second test."""

    stack: Stack
    rule: Rule
    systematic: Systematic
    compared: Comparison


class Workspace(NamedTuple):
    """The memory that `reject_strip` works in.

    Attributes
    ----------
    work, tally : numpy.ndarray
        See `platelib.night_merge.prefilter.screen`.
    suspect, spiked : numpy.ndarray
        ``(strip,)`` bool: pixels that the rule is to decide on, and those with a spike.
    pixel : tuple of numpy.ndarray
        Of the rule: samples, expected variances, a buffer, flags and an order, for one pixel.
    around : numpy.ndarray
        From `platelib.integration.psf_comparison.comparison_workspace`.
    """

    work: np.ndarray
    tally: np.ndarray
    suspect: np.ndarray
    spiked: np.ndarray
    pixel: tuple[np.ndarray, ...]
    around: np.ndarray


def workspace(n: int, strip: int) -> Workspace:
    """Return the memory that `reject_strip` needs for ``n`` samples and strips of that length."""
    return Workspace(
        aligned.empty((PLANES, strip), np.float32),
        aligned.empty((3, strip), np.int32),
        np.empty(strip, dtype=np.bool_),
        np.empty(strip, dtype=np.bool_),
        (
            np.empty(n),
            np.empty(n),
            np.empty(n + 1),
            np.empty(n, dtype=np.uint8),
            np.empty(n, dtype=np.int64),
        ),
        comparison_workspace(),
    )


@kernel
def reject_strip(prepared, place, flags, room):
    """Flag the outliers of a strip.

    Parameters
    ----------
    prepared : Prepared
    place : tuple of int
        Row of the strip, its first column and the one after its last.
    flags : numpy.ndarray
        ``(n, ny, nx)`` uint8: 1 without data, `platelib.numerics.mask_bits.SPIKE` where a single
        sub shows a spike; it gets the result.
    room : Workspace
    """
    stack, rule, systematic, compared = prepared
    y, left, right = place
    samples, spread, scratch, state, order = room.pixel
    has_partners = compared.partners.shape[1] > 0
    screen(stack, place, rule, systematic, has_partners, room.work, room.tally, room.suspect)
    has_spikes = are_any_spikes(flags, place)
    if has_spikes:
        suspect_spikes(flags, place, room.spiked, room.suspect)
    for x in range(left, right):
        if not room.suspect[x - left]:
            continue
        gather(stack.values, y, x, samples, state)
        expected_spread(stack, y, x, systematic, state, spread, scratch)
        if has_partners and room.tally[0, x - left] == 2:
            clip_pair(samples, state, spread, rule.high)
        else:
            clip_weighted(stack, y, x, rule, samples, state, spread, order)
        if has_partners:
            add_offset_of_partners(y, x, systematic, spread)
            compare(
                stack.values, stack.variances, stack.squares, y, x, rule.sky, state, spread,
                flags, compared, room.around,
            )  # fmt: skip
        if has_spikes and room.spiked[x - left]:
            clip_spikes(flags, y, x, samples, state, spread, rule.sky, scratch)
        for i in range(state.size):
            flags[i, y, x] = state[i]
