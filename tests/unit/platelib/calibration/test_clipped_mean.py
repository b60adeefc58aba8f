"""Screen, network and rule together against the rule written out for one pixel after the other."""

import numpy as np
import pytest

from platelib.calibration.clipped_mean import clipped_mean
from platelib.calibration.combine import Combined
from platelib.calibration.stack_sums import CELL, Stack

SHAPE = (2, CELL + 41)
NO_OFFSET = np.zeros((0, 0), dtype=np.float32)
NO_FACTORS = np.zeros(0, dtype=np.float32)
ZERO = np.float32(32768)


def _values(stack: Stack) -> np.ndarray:
    """Samples as the rule sees them, in double precision."""
    values = stack.samples.astype(np.float32) + stack.zero
    if stack.factors.size:
        if stack.offset.size:
            values = values - stack.offset
        values = values * stack.factors[:, None, None]
    return values.astype(np.float64)


def _kept(samples: np.ndarray, sigma: float, floor: float) -> np.ndarray:
    kept = samples[~np.isnan(samples)]
    for _ in range(3):
        if kept.size < 3:
            break
        centre = np.median(kept)
        spread = max(1.482602218505602 * np.median(np.abs(kept - centre)), floor)
        inside = (kept >= centre - sigma * spread) & (kept <= centre + sigma * spread)
        if inside.all():
            break
        kept = kept[inside]
    return kept


def _reference(stack: Stack, sigma: float, floors: np.ndarray) -> Combined:
    values = _values(stack)
    out = Combined.of_shape(values.shape[1:])
    for y, x in np.ndindex(*out.mean.shape):
        kept = _kept(values[:, y, x], sigma, floors[min(x // CELL, len(floors) - 1)])
        out.count[y, x] = kept.size
        out.mean[y, x] = out.variance[y, x] = np.nan
        if kept.size:
            late = stack.offset[y, x] if stack.offset.size and not stack.factors.size else 0.0
            out.mean[y, x] = kept.mean() - float(late)
            out.variance[y, x] = kept.var(ddof=1) / kept.size if kept.size > 1 else 0.0
    return out


def _combined(stack: Stack, sigma: float, floors: np.ndarray) -> Combined:
    out = Combined.of_shape(stack.samples.shape[1:])
    clipped_mean(stack, sigma, floors, out.mean, out.variance, out.count)
    return out


def _words(n: int, kind: str) -> np.ndarray:
    """Frames as they lie in a file, less 32768: a level, noise of 4 ADU, some that are struck."""
    rng = np.random.default_rng(n)
    counts = rng.normal(900, 4, (n, *SHAPE))
    hit = rng.random(counts.shape) < (0.1 if kind == "many hits" else 0.003)
    counts[hit] += rng.choice([-300, 18, 60, 64000], hit.sum())
    if kind == "noisy pixels":
        counts[:, :, ::3] = rng.normal(3000, 80, counts[:, :, ::3].shape)
    if kind == "two levels":
        counts[::2] += 30
    if kind == "coarse":
        counts = np.round(counts / 8) * 8
    return (np.clip(np.round(counts), 0, 65535) - 32768).astype(np.int16)


@pytest.mark.parametrize("kind", ["few hits", "many hits", "noisy pixels", "two levels", "coarse"])
@pytest.mark.parametrize("n", [1, 2, 3, 4, 5, 6, 7, 20, 33, 70])
def test_words_give_the_very_mean_of_the_rule(n, kind):
    """Of whole numbers, mean and count are those of the rule to the last bit."""
    stack = Stack(_words(n, kind), ZERO, NO_OFFSET, NO_FACTORS)
    floors = np.array([4.1])
    expected, found = _reference(stack, 4.0, floors), _combined(stack, 4.0, floors)
    np.testing.assert_array_equal(found.count, expected.count)
    np.testing.assert_array_equal(found.mean, expected.mean)
    np.testing.assert_allclose(found.variance, expected.variance, rtol=3e-5, atol=1e-9)


def test_an_offset_is_taken_from_the_exact_mean():
    """What is subtracted of all samples alike costs them no digits and changes no decision."""
    offset = np.random.default_rng(1).normal(500, 3, SHAPE).astype(np.float32)
    floors = np.array([4.1])
    stack = Stack(_words(20, "few hits"), ZERO, offset, NO_FACTORS)
    expected, found = _reference(stack, 4.0, floors), _combined(stack, 4.0, floors)
    np.testing.assert_array_equal(found.count, expected.count)
    np.testing.assert_array_equal(found.mean, expected.mean)


@pytest.mark.parametrize("n", [2, 3, 8, 20, 41])
def test_scaled_values_with_gaps_agree(n):
    """Values with gaps, scaled each by its own factor, agree to single precision."""
    rng = np.random.default_rng(n)
    values = rng.normal(20000, 150, (n, *SHAPE)).astype(np.float32)
    values[rng.random(values.shape) < 0.01] += 20000
    values[rng.random(values.shape) < 0.02] = np.nan
    values[:, 1, 7] = np.nan
    values[0, 1, 8], values[1:, 1, 8] = 20000, np.nan
    values[0] *= 1.3
    factors = (1 / np.nanmedian(values, axis=(1, 2))).astype(np.float32)
    offset = rng.normal(500, 3, SHAPE).astype(np.float32)
    floors = np.array([0.0075])
    for below in (NO_OFFSET, offset):
        stack = Stack(values, np.float32(0), below, factors)
        expected, found = _reference(stack, 4.0, floors), _combined(stack, 4.0, floors)
        np.testing.assert_array_equal(found.count, expected.count)
        np.testing.assert_allclose(found.mean, expected.mean, rtol=1.5e-7)
        np.testing.assert_allclose(found.variance, expected.variance, rtol=1e-4, atol=1e-12)
        assert np.isnan(found.mean[1, 7])
        assert found.count[1, 8] == 1


@pytest.mark.parametrize("scale", [1e-6, 1.0, 1e4])
@pytest.mark.parametrize("floor", [0.0, 0.5, 1.0, 3.0])
def test_samples_near_the_limit_are_judged_by_the_rule(scale, floor):
    """Samples a hair within and beyond the limit stay or go as the rule has it, at any scale."""
    rng = np.random.default_rng(5)
    values = rng.normal(0, 1, (15, *SHAPE))
    values[0] = 4 * max(floor, 1.0) * (1 + rng.normal(0, 1e-5, SHAPE))
    values[1:, :, :200] = rng.choice([-1.0, 0.0, 1.0], (14, 2, 200))
    values = (scale * values).astype(np.float32)
    stack = Stack(values, np.float32(0), NO_OFFSET, NO_FACTORS)
    floors = np.array([scale * floor])
    expected, found = _reference(stack, 4.0, floors), _combined(stack, 4.0, floors)
    np.testing.assert_array_equal(found.count, expected.count)


def test_the_first_frame_may_be_the_outlier():
    """A strike on the first frame, which deviations are counted from, costs no digits."""
    words = _words(20, "few hits")
    words[0, :, ::2] = 32767
    stack = Stack(words, ZERO, NO_OFFSET, NO_FACTORS)
    found = _combined(stack, 4.0, np.array([4.0]))
    assert (found.count[:, ::2] <= 19).all()
    np.testing.assert_array_equal(found.mean, _reference(stack, 4.0, np.array([4.0])).mean)


def test_each_cell_has_its_floor():
    """A sample is struck where the floor of its columns is low; the last floor goes to the end."""
    values = np.random.default_rng(6).normal(0, 0.1, (9, 2, 3 * CELL + 100)).astype(np.float32)
    values[4] = 10
    stack = Stack(values, np.float32(0), NO_OFFSET, NO_FACTORS)
    count = _combined(stack, 4.0, np.array([1.0, 3.0, 1.0])).count
    assert (count[:, :CELL] == 8).all()
    assert (count[:, CELL : 2 * CELL] == 9).all()
    assert (count[:, 2 * CELL :] == 8).all()


def test_no_limit_strikes_nothing():
    """At infinity all samples are kept."""
    stack = Stack(_words(5, "many hits"), ZERO, NO_OFFSET, NO_FACTORS)
    found = _combined(stack, np.inf, np.ones(1))
    assert (found.count == 5).all()
    np.testing.assert_array_equal(found.mean, _values(stack).mean(axis=0).astype(np.float32))
