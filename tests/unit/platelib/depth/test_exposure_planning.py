import math

import numpy as np
import pytest

from platelib.depth.depth_growth import UsedSub, growth
from platelib.depth.exposure_planning import (
    SubNoise,
    balance_hours,
    expected_rate,
    hours_for_gain,
    read_noise_share,
    shortest_subs_s,
)


def night(name, count, noise=1.0, fwhm=3.0, exposure=300.0):
    """Return equal subs of a night."""
    return [UsedSub(name, exposure, noise, fwhm, 1 / noise**2) for _ in range(count)]


def test_twice_the_exposure_is_three_eighths_of_a_magnitude():
    """A second night like the first adds 2.5 log10(sqrt 2) = 0.376 mag."""
    first, second = growth(night("2026-03-23", 8) + night("2026-03-24", 8))
    assert math.isnan(first.gain_mag)
    assert second.gain_mag == pytest.approx(0.3763, abs=1e-4)
    assert first.behind_mag == pytest.approx(0.3763, abs=1e-4)
    assert second.behind_mag == 0
    assert (first.subs, second.total_exposure_s) == (8, 4800)


def test_a_bad_night_adds_what_a_simulated_mean_says():
    """Noise and seeing of a poor night give the gain that drawn subs give, within 0.03 mag."""
    subs = night("a", 6, 1.0, 2.8) + night("b", 9, 2.0, 3.6)
    rng = np.random.default_rng(3)
    drawn = np.array([sub.noise * rng.standard_normal(200_000) for sub in subs])
    weights = np.array([sub.weight for sub in subs])

    def blur(k):
        mean = (weights[:k, None] * drawn[:k]).sum(axis=0) / weights[:k].sum()
        squared = sum(w * sub.fwhm_px**2 for w, sub in zip(weights[:k], subs, strict=False))
        return mean.std() * math.sqrt(squared / weights[:k].sum())

    gain = 2.5 * math.log10(blur(6) / blur(15))
    assert growth(subs)[1].gain_mag == pytest.approx(gain, abs=0.03)


def test_growth_does_not_depend_on_the_order_of_subs():
    """Nights are told apart by name, in the order of time."""
    subs = night("b", 3) + night("a", 4)
    assert repr(growth(subs)) == repr(growth(subs[::-1]))
    assert [one.night for one in growth(subs)] == ["a", "b"]


def test_hours_for_a_gain():
    """0.5 mag more takes 10^0.4 = 2.512 times the exposure, 0.752 mag four times less one."""
    assert hours_for_gain(3600, 0.5) == pytest.approx(1.5119, abs=1e-4)
    assert hours_for_gain(3600, 2.5 * math.log10(2)) == pytest.approx(3.0)


def test_balanced_channels_have_equal_noise():
    """With the hours that are asked for, each channel has the noise of the best."""
    exposures, noise = {"r": 3600.0, "g": 7200.0, "b": 1800.0}, {"r": 2.0, "g": 1.0, "b": 3.0}
    more = balance_hours(exposures, noise)
    for name, hours in more.items():
        after = noise[name] * math.sqrt(exposures[name] / (exposures[name] + 3600 * hours))
        assert after == pytest.approx(1.0)


def test_balance_where_a_channel_is_not_known():
    """A channel without a common star has no hours; a single channel has none to balance."""
    found = balance_hours({"r": 60.0, "g": 60.0, "b": 60.0}, {"r": 1.0, "g": 2.0, "b": math.nan})
    assert found["r"] == 0
    assert math.isnan(found["b"])
    assert math.isnan(balance_hours({"r": 60.0}, {"r": 1.0})["r"])


def test_shortest_subs_under_a_usual_and_a_dark_sky():
    """The darkest sky asks for the longest subs; at that length reading adds 5 %."""
    subs = [SubNoise(300.0, sky * 300, 4.0) for sky in (0.5, 1.0, 2.0)]
    usual, darkest = shortest_subs_s(subs)
    assert darkest == pytest.approx(2 * usual)
    assert read_noise_share([SubNoise(usual, usual * 1.0, 4.0)]) == pytest.approx(0.05)
    assert all(math.isnan(value) for value in shortest_subs_s([]))


def test_expected_limit_is_that_of_drawn_photons():
    """A star of the expected light stands 5 sigma out of drawn sky and read noise."""
    subs = [SubNoise(100.0, 150.0, 3.0)] * 10
    flux = expected_rate(subs, [1 / 100.0] * 10, 20.0, 0.7, 5.0)
    rng = np.random.default_rng(5)
    star = flux * 100 * 0.7
    drawn = rng.poisson(star + 20 * 150.0, (20_000, 10)) + rng.normal(
        0, 3 * math.sqrt(20), (20_000, 10)
    )
    total = drawn.sum(axis=1)
    assert (total.mean() - 10 * 20 * 150.0) / total.std() == pytest.approx(5, rel=0.03)
    assert math.isnan(expected_rate([SubNoise(1.0, 0.0, 1.0)], [1.0], 1, 1, 5))


def test_poor_subs_never_cost_depth():
    """Subs under a bright sky make the limit a little fainter, not brighter."""
    good, poor = [SubNoise(100.0, 100.0, 3.0)] * 4, [SubNoise(100.0, 2000.0, 3.0)] * 4
    alone = expected_rate(good, [0.01] * 4, 20.0, 0.7, 5.0)
    both = expected_rate(good + poor, [0.01] * 8, 20.0, 0.7, 5.0)
    assert 0.9 * alone < both < alone
