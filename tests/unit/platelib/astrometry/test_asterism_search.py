import numpy as np
import pytest
from scipy.stats import binom

from platelib.astrometry.asterism_search import SkyPatterns, log_false_alarm


@pytest.mark.parametrize("matched", [4, 7, 12, 20])
def test_false_alarm_is_the_tail_of_a_binomial_times_the_trials(matched):
    """The tail is scipy's, for what the free parameters leave."""
    expected = 500 * binom.sf(matched - 3 - 1, 20 - 3, 0.01)
    found = log_false_alarm(500, 20, matched, 3, 0.01)
    assert found == pytest.approx(min(0.0, np.log10(expected)), abs=1e-9)


def test_what_must_agree_proves_nothing():
    """As many stars as there are free parameters, or a field full of stars, are no evidence."""
    assert log_false_alarm(1, 20, 3, 3, 0.01) == 0.0
    assert log_false_alarm(1, 20, 20, 3, 1.0) == 0.0


def test_more_trials_make_chance_likelier():
    """Ten times the trials, ten times the odds."""
    few, many = (log_false_alarm(trials, 30, 20, 3, 0.01) for trials in (10, 100))
    assert many - few == pytest.approx(1.0)


@pytest.mark.parametrize("mirrored", [False, True])
def test_a_seed_leads_the_field_to_the_catalogue(mirrored):
    """Among the seeds of a turned, scaled and moved field is the one that was applied."""
    rng = np.random.default_rng(5)
    stars = rng.uniform(-3000, 3000, (300, 2))
    turn = 1.1 * np.exp(1j * 2.1)
    inside = np.abs(stars - [500, -700]).max(axis=1) < 400
    z = (stars[inside] @ [1, 1j] - 2j - 500) / turn
    field = np.stack([z.real, -z.imag if mirrored else z.imag], axis=1)
    seeds = list(SkyPatterns(stars, 3400, (800, 800)).seeds(field, 0.2))
    seed = next(s for s in seeds if s.mirrored is mirrored)
    assert seed.a == pytest.approx(turn, abs=1e-3)
    assert seeds[-1].trials >= seeds[0].trials > 0


def test_a_scale_that_is_too_far_off_is_not_tried():
    """Beyond the tolerance the right place is no candidate."""
    rng = np.random.default_rng(5)
    stars = rng.uniform(-1000, 1000, (60, 2))
    seeds = list(SkyPatterns(stars, 1400, (2000, 2000)).seeds(stars / 1.5, 0.2))
    assert all(abs(abs(seed.a) - 1.5) > 0.1 for seed in seeds)
