import numpy as np
import pytest

from platelib.movers.false_alarms import (
    Density,
    chance_threshold,
    excess_of_shuffles,
    expected_peaks,
    false_alarm_probability,
    log_chance_rate,
    log_chance_tracks,
    shuffled_order,
)
from platelib.movers.rate_fit import fit_rate

HOUR = np.linspace(-30, 30, 20)


def test_the_threshold_is_that_of_the_stated_number():
    """As many peaks as are allowed are expected at the threshold, within its step."""
    threshold = chance_threshold(0.02, 16.4e6, 1.0, HOUR, 1.8)
    assert expected_peaks(threshold, 16.4e6, 1.0, HOUR, 1.8) <= 0.02
    assert expected_peaks(threshold - 0.01, 16.4e6, 1.0, HOUR, 1.8) > 0.02
    assert 7.2 < threshold < 7.35
    assert chance_threshold(0.02, 16.4e6, 1.0, HOUR, 1.8, excess=20.0) > threshold + 0.3


def test_without_rates_the_formula_counts_peaks_of_a_plane():
    """At rate 0 it is the number of peaks of a Gaussian field of two dimensions."""
    # Bardeen, Bond, Kaiser & Szalay (1986), ApJ 304, 15: u exp(-u^2/2) / (2 pi)^(3/2), per area
    # of a squared correlation length, far out (from memory).
    expected = 1e6 / 2.25 * 4 * np.exp(-8) / (2 * np.pi) ** 1.5
    assert expected_peaks(4.0, 1e6, 0.0, HOUR, 1.5) == pytest.approx(expected)


@pytest.mark.parametrize("count", [3, 4])
def test_chance_tracks_are_as_many_as_their_volume_says(count):
    """Random detections fit a rate within a chi square as often as the geometry says."""
    rng = np.random.default_rng(count)
    side, most, sigma, density = 100.0, 3.0, 1.0, 0.012
    minutes, limit = np.arange(count, dtype=float), 4.0 * (count - 2)
    found, trials = 0, 40
    for _ in range(trials):
        # Points beyond the edge let tracks leave the field; a track is where its middle is.
        points = [rng.uniform(-10, side + 10, (rng.poisson(density * (side + 20) ** 2), 2))
                  for _ in range(count)]  # fmt: skip
        found += _tracks(points, minutes, most, sigma, limit, side)
    choices = 2 * (1 + (count - 2) * np.log(2))
    sizes = np.full(count, sigma)
    expected = (
        trials
        / choices
        * np.exp(
            log_chance_tracks(count, count, minutes, sizes, limit, (most, most), side**2, density)
        )
    )
    assert abs(found / expected - 1) < 4 / np.sqrt(expected) + 0.03


def _tracks(points, minutes, most, sigma, limit, side):
    """Count the tracks of one point each, of at most a rate and a chi square."""
    chosen = points[0][:, None, :]
    for step, later in zip(np.diff(minutes), points[1:], strict=True):
        away = np.hypot(*(chosen[:, -1, None] - later[None]).T).T
        i, j = np.nonzero(away <= most * step + 8 * sigma)
        chosen = np.concatenate([chosen[i], later[j][:, None]], axis=1)
    t = minutes - minutes.mean()
    rate = np.einsum("t,ntk->nk", t, chosen) / (t**2).sum()
    middle = chosen.mean(axis=1)
    left = chosen - middle[:, None] - rate[:, None] * t[None, :, None]
    inside = ((middle >= 0) & (middle < side)).all(axis=1)
    good = (left**2).sum(axis=(1, 2)) / sigma**2 <= limit
    return int((inside & good & (np.hypot(*rate.T) <= most)).sum())


def test_scatter_at_rest_looks_like_a_rate_as_often_as_stated():
    """Of places at rest with unknown scatter, the stated share seems to move."""
    rng = np.random.default_rng(8)
    t = np.sort(rng.uniform(0, 60, 6))
    values = []
    for _ in range(1000):
        x, y = rng.normal(0, 0.8, (2, 6))
        values.append(log_chance_rate(fit_rate(t, x, y, np.full(6, 0.2)), 1))
    for share in (0.5, 0.1, 0.02):
        assert abs(np.mean(np.exp(values) < share) - share) < 4 * np.sqrt(share / 1000)


def test_density_leaves_out_the_track_itself():
    """Detections of a track do not make its surroundings denser."""
    rng = np.random.default_rng(6)
    x, y = rng.uniform(0, 1000, (2, 2000))
    density = Density(x, y, np.full(2000, 6.0), 20, 1e6)
    alone, _ = density.at(np.array([500.0]), np.array([500.0]), np.zeros(1, bool), 5.0)
    track = np.linspace(499, 501, 20)
    x, y = np.concatenate([x, track]), np.concatenate([y, np.full(20, 500.0)])
    density = Density(x, y, np.full(2020, 6.0), 20, 1e6)
    own, share = density.at(track, np.full(20, 500.0), np.ones(20, bool), 5.0)
    assert own == pytest.approx(alone, rel=0.2)
    assert share == 1
    assert 0.3e-4 < own < 3e-4


def test_few_shuffled_peaks_do_not_lower_a_threshold():
    """The excess is 1 at least, and more where shuffled series show more than chance."""
    assert excess_of_shuffles(0, 20.0) == 1
    assert 20 < excess_of_shuffles(400, 20.0) < 23


def test_a_shuffled_order_is_no_order_of_time():
    """The order does not rise or fall with time, and is the same for a seed."""
    order = shuffled_order(20, 7)
    assert sorted(order) == list(range(20))
    assert abs(np.corrcoef(order, np.arange(20))[0, 1]) < 0.1
    assert np.array_equal(order, shuffled_order(20, 7))


def test_few_expected_tracks_are_their_probability():
    """A small number of expected tracks is the probability of one."""
    assert false_alarm_probability(1e-9) == pytest.approx(1e-9)
    assert false_alarm_probability(50.0) == pytest.approx(1)
