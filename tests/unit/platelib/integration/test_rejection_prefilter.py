"""Screens and exact rules together against the rules written out for whole arrays."""

import numpy as np
import pytest

from platelib.integration.rejection import Rejection, reject
from platelib.integration.rejection_prefilter import STRIP
from platelib.integration.rejection_rules import HIGH, INVALID, KEPT, LOW, esd_limits

SHAPE = (1, STRIP + 18)
SUBS = [*range(1, 71), 300]


def _median(values: np.ndarray) -> np.ndarray:
    """Median along the stack of what is not NaN."""
    ordered = np.sort(values, axis=0)
    count = np.maximum(np.isfinite(values).sum(axis=0), 1)
    places = ((count - 1) // 2, count // 2)
    lower, upper = (np.take_along_axis(ordered, place[None], 0)[0] for place in places)
    return 0.5 * (lower + upper)


def _in_order(terms: np.ndarray) -> np.ndarray:
    """Sum along the stack one after the other, as numpy's own sum need not."""
    total = np.zeros(terms.shape[1:])
    for term in terms:
        total = total + np.where(np.isnan(term), 0.0, term)
    return total


def _expected_widths(values, variances, noise, sky, rejection):
    noise = noise[:, None, None]
    ratio = np.where(np.isnan(values), np.nan, variances / (noise * noise))
    spread = np.minimum(variances, 1.2 * _median(ratio) * noise * noise)

    def widths(work):
        centre = _median(work)
        slack = rejection.tolerance * np.maximum(centre - sky, 0.0)
        return centre, np.sqrt(spread + slack * slack)

    return widths


def _sample_widths(rejection):
    def widths(work):
        centre = _median(work)
        if rejection.method == "mad":
            width = 1.482602218505602 * _median(np.abs(work - centre))
        else:
            ordered = np.sort(work, axis=0)
            count = np.isfinite(work).sum(axis=0)
            mean = _in_order(ordered) / count
            width = np.sqrt(_in_order((ordered - mean) ** 2) / count)
        return centre, width

    return widths


def _clip(values, widths, rejection):
    flags = np.where(np.isnan(values), INVALID, KEPT).astype(np.uint8)
    for _ in range(rejection.max_iterations):
        work = np.where(flags == KEPT, values, np.nan)
        centre, width = widths(work)
        active = (flags == KEPT).sum(axis=0) >= 3
        flags[active & (work > centre + rejection.high * width)] = HIGH
        flags[active & (work < centre - rejection.low * width)] = LOW
    return flags


def _clip_esd(values, alpha):
    limits = esd_limits(len(values), alpha)
    flags = np.where(np.isnan(values), INVALID, KEPT).astype(np.uint8)
    total = (flags == KEPT).sum(axis=0)
    work, outliers, steps = values.copy(), np.zeros_like(total), []
    for step in range(1, len(values) // 3 + 1):
        count = np.isfinite(work).sum(axis=0)
        mean = _in_order(work) / count
        distance = np.where(np.isnan(work), -1.0, np.abs(work - mean))
        width = np.sqrt(_in_order((work - mean) ** 2) / np.maximum(count - 1, 1))
        tested = (step <= total // 3) & (width > 0)
        worst = distance.argmax(axis=0)[None]
        ratio = np.take_along_axis(distance, worst, 0)[0] / width
        outliers[tested & (ratio > limits[total, np.minimum(step, total // 3)])] = step
        high = np.take_along_axis(values, worst, 0)[0] > mean
        steps.append((worst, np.where(high, HIGH, LOW), tested))
        gone = np.where(tested, np.nan, np.take_along_axis(work, worst, 0)[0])
        np.put_along_axis(work, worst, gone[None], 0)
    for step, (worst, mark, tested) in enumerate(steps, start=1):
        old = np.take_along_axis(flags, worst, 0)[0]
        new = np.where(tested & (step <= outliers), mark, old).astype(np.uint8)
        np.put_along_axis(flags, worst, new[None], 0)
    return flags


def reference(values, variances, noise, sky, rejection):
    """Flags by the rules, pixel for pixel, in double precision."""
    values, variances = values.astype(np.float64), variances.astype(np.float64)
    with np.errstate(invalid="ignore", divide="ignore"):
        if rejection.method == "esd":
            return _clip_esd(values, rejection.esd_alpha)
        if rejection.method == "noise":
            widths = _expected_widths(values, variances, noise, sky, rejection)
        else:
            widths = _sample_widths(rejection)
        return _clip(values, widths, rejection)


def _stack(n: int, kind: str):
    """Subs of a field with stars, cosmic rays and gaps: values, variances, noises, sky."""
    rng = np.random.default_rng(n)
    shape = (n, *SHAPE)
    noise = rng.uniform(8, 12, n)
    smoothing = rng.uniform(0.6, 1.1, (n, 1, 1))
    star = 20 * np.exp(rng.normal(0, 2, SHAPE))
    variances = smoothing * noise[:, None, None] ** 2 + star
    values = 100 + star * rng.normal(1, 0.1, (n, 1, 1)) + rng.normal(0, 1, shape) * variances**0.5
    hit = rng.random(shape) < (0.1 if kind == "many hits" else 0.01)
    values[hit] += rng.choice([-300, 60, 400, 5000], hit.sum())
    variances[hit] += 200
    sky = 100.0
    if kind == "whole numbers":
        values = np.round(values / 4) * 4
    if kind == "far from zero":
        values, sky = values + 60000, 60100.0
    if kind == "faint":
        values, variances, noise, sky = values * 1e-6, variances * 1e-12, noise * 1e-6, 1e-4
    gaps = rng.random(shape) < (rng.random(SHAPE) ** 3 if kind == "gaps" else 0.01)
    values[gaps] = variances[gaps] = np.nan
    return values.astype(np.float32), variances.astype(np.float32), noise, sky


@pytest.mark.parametrize(
    "rejection",
    [
        Rejection("noise"),
        Rejection("noise", low=2.0, high=2.5, tolerance=0.0, max_iterations=2),
        Rejection("sigma", low=3.0, high=3.5),
        Rejection("sigma", low=2.0, high=2.0),
        Rejection("mad"),
        Rejection("mad", low=3.0, high=3.0, max_iterations=3),
        Rejection("esd"),
    ],
)
@pytest.mark.parametrize("kind", ["many hits", "gaps", "whole numbers", "far from zero", "faint"])
def test_flags_are_those_of_the_rules(rejection, kind):
    """Flags equal the rules written out, for 1 to 70 and 300 subs, to the last one."""
    for n in SUBS:
        stack = _stack(n, kind)
        flags = reject(*stack, rejection)
        np.testing.assert_array_equal(flags, reference(*stack, rejection), err_msg=f"{n} subs")


@pytest.mark.parametrize("method", ["noise", "sigma", "mad", "esd"])
@pytest.mark.parametrize("limit", [0.0, -1.0])
def test_limits_that_make_no_sense_are_obeyed(method, limit):
    """Limits of 0 and below strike what the rules then strike."""
    stack = _stack(9, "gaps")
    rejection = Rejection(method, low=limit, high=limit)
    np.testing.assert_array_equal(reject(*stack, rejection), reference(*stack, rejection))


@pytest.mark.parametrize("method", ["noise", "sigma", "mad", "esd"])
def test_infinite_samples_do_not_hide_others(method):
    """A pixel with an infinite sample is left to the exact rules."""
    values, variances, noise, sky = _stack(12, "far from zero")
    plain = reject(values, variances, noise, sky, Rejection(method))
    values[3, 0, 100] = np.inf
    values[7, 0, 100] += 5000
    flags = reject(values, variances, noise, sky, Rejection(method))
    others = np.arange(SHAPE[1]) != 100
    np.testing.assert_array_equal(flags[..., others], plain[..., others])
    if method == "noise":
        assert flags[3, 0, 100] == flags[7, 0, 100] == HIGH


def test_flags_go_where_they_are_wanted():
    """Flags are written into an array that is handed in, with missing data marked."""
    values, variances, noise, sky = _stack(5, "many hits")
    values[2, 0, :3] = np.nan
    flags = np.isnan(values).astype(np.uint8)
    assert reject(values, variances, noise, sky, Rejection(), flags) is flags
    assert (flags >= LOW).any()
    np.testing.assert_array_equal(flags, reject(values, variances, noise, sky, Rejection()))
