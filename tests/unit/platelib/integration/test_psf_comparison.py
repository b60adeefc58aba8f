import sys

import numpy as np
import pytest

from platecli.verbs.bench import BENCH
from platelib.integration.psf_comparison import comparison, no_comparison
from platelib.integration.rejection import Rejection, reject
from platelib.integration.rejection_rules import HIGH, INVALID

sys.path.insert(0, str(BENCH))

import accuracy_rejection as subs  # noqa: E402

NOISE = np.sqrt(subs.SKY + subs.READ_NOISE**2)
RULE = Rejection("noise", 4.0, 4.0, 5, 0.02)


@pytest.fixture(scope="module")
def stack():
    """Nine subs of which the softest has stars twice as wide as the sharpest."""
    return subs.draw(9, 2.2, 4.4, 0.2, 11)


@pytest.fixture(scope="module")
def compared(stack):
    """The second test for them."""
    return subs.compared(stack)


def _flags(values, stack, compared, method="noise", marks=None):
    rule = Rejection(method, 4.0, 4.0, 5, 0.02)
    noise = np.full(len(values), NOISE)
    if marks is not None:
        marks = np.where(np.isnan(values), np.uint8(INVALID), marks)
    return reject(values, stack.variance, noise, subs.SKY, rule, marks, compared)


def test_stars_keep_their_light_when_seeing_doubles(stack, compared):
    """Each class of stars has its light to 0.3 %, 1 % within 1.5 px, with rays on half of them."""
    found = subs.score(stack, compared, 0.02)
    assert found["light"] < 0.3
    assert found["core"] < 1.0


def test_median_alone_takes_their_light(stack):
    """The test against the median loses percents of it, so the one above can fail."""
    assert subs.score(stack, None, 0.12)["light"] > 1.0


def test_cosmic_rays_on_cores_are_found(stack, compared):
    """Of rays of 10 sigma that are a third of the light or more, 80 % are found; off stars all."""
    found = subs.score(stack, compared, 0.02)
    assert found["on_cores"] >= 80
    assert found["elsewhere"] >= 99
    assert found["left"] == 0


@pytest.mark.parametrize("method", ["sigma", "mad"])
def test_other_methods_are_settled_by_the_comparison_too(stack, compared, method):
    """Without rays the comparison clears nearly all that the spread rejects on star cores."""
    core = np.zeros(subs.SHAPE, dtype=bool)
    for x, y in zip(np.rint(stack.x).astype(int), np.rint(stack.y).astype(int), strict=True):
        core[y - 1 : y + 2, x - 1 : x + 2] = True
    rule = Rejection(method, 2.5, 2.5, 5)
    noise = np.full(len(stack.clean), NOISE)
    alone = reject(stack.clean, stack.variance, noise, subs.SKY, rule)
    both = reject(stack.clean, stack.variance, noise, subs.SKY, rule, compared=compared)
    assert (alone[:, core] > 1).sum() > 50
    assert (both[:, core] > 1).sum() < 0.1 * (alone[:, core] > 1).sum()


def test_star_that_varies_is_kept(stack, compared):
    """A star that is 20 % brighter in one sub is no outlier there."""
    k = int(np.argsort(stack.flux)[-8])
    x, y = int(np.rint(stack.x[k])), int(np.rint(stack.y[k]))
    part = np.s_[4, y - 16 : y + 17, x - 16 : x + 17]
    values = stack.clean.copy()
    values[part] += 0.2 * (values[part] - np.float32(subs.SKY))
    flags = _flags(values, stack, compared)
    assert (flags[4, y - 2 : y + 3, x - 2 : x + 3] > 1).sum() == 0


def test_saturated_stars_are_kept(stack):
    """Nothing is rejected on stars above half of the saturation of a sub."""
    full = float(np.nanmax(stack.clean)) * 0.5
    values = np.minimum(stack.clean, np.float32(full))
    level = np.full(len(values), full)
    kernels = subs.compared(stack)
    flags = _flags(values, stack, kernels._replace(saturation=level))
    bright = np.median(values, axis=0) > 0.8 * full
    assert bright.sum() > 0
    assert (flags[:, bright] > 1).sum() == 0


def test_bad_pixels_beside_a_sample_are_no_obstacle(stack, compared):
    """With one pixel in a hundred missing, stars keep their light all the same."""
    rng = np.random.default_rng(3)
    values = stack.clean.copy()
    values[rng.random(values.shape) < 0.01] = np.nan
    flags = _flags(values, stack, compared)
    core = [
        flags[:, int(y) - 1 : int(y) + 2, int(x) - 1 : int(x) + 2]
        for x, y in zip(stack.x, stack.y, strict=True)
    ]
    assert np.mean(np.array(core) > 1) < 0.005


def test_without_partners_the_first_test_decides(stack):
    """Comparison without partners changes no flag."""
    alone = reject(stack.hit, stack.variance, np.full(9, NOISE), subs.SKY, RULE)
    none = _flags(stack.hit, stack, no_comparison(9))
    np.testing.assert_array_equal(alone, none)
    assert (alone == HIGH).any()


def test_result_does_not_depend_on_what_lies_beyond_the_margin(stack, compared):
    """A part of the stack with the margin around it gives the flags of the whole."""
    whole = _flags(stack.hit, stack, compared)
    m = compared.margin
    rows, columns = slice(100, 180), slice(130, 260)
    part = np.s_[:, rows.start - m : rows.stop + m, columns.start - m : columns.stop + m]
    values, variances = (np.ascontiguousarray(p[part]) for p in (stack.hit, stack.variance))
    noise = np.full(9, NOISE)
    found = reject(values, variances, noise, subs.SKY, RULE, compared=compared)
    np.testing.assert_array_equal(found[:, m:-m, m:-m], whole[:, rows, columns])


def test_tolerance_is_the_least_that_is_allowed():
    """The comparison takes settings as they are."""
    from platelib.integration.psf_kernels import no_kernels

    made = comparison(no_kernels(2), np.array([1.0, 2.0]), 0.5)
    assert made.tolerance == 0.5
    assert made.margin == 0


def test_brighter_of_two_samples_is_rejected_where_no_third_covers_the_pixel(stack, compared):
    """Where two subs remain, most rays of 8 sigma go, and no star core does."""
    values = stack.hit.copy()
    values[2:, :, 200:] = np.nan
    flags = _flags(values, stack, compared, marks=stack.flags)
    clean = stack.clean.copy()
    clean[2:, :, 200:] = np.nan
    quiet = _flags(clean, stack, compared)
    struck = [place for place in stack.elsewhere if place[0] < 2 and place[2] > 204]
    assert len(struck) > 20
    assert np.mean([subs._is_hit(flags, *place) for place in struck]) > 0.95
    assert (quiet[:2, :, 204:] > 1).mean() < 1e-3
    for x, y in zip(np.rint(stack.x).astype(int), np.rint(stack.y).astype(int), strict=True):
        if x > 210:
            assert (quiet[:2, y - 2 : y + 3, x - 2 : x + 3] > 1).sum() == 0
    assert not ((flags == 2) & (np.isfinite(values).sum(axis=0) == 2)).any()
