from dataclasses import replace

import numpy as np
import pytest
from drawn_light_curves import TELESCOPE, Plan, draw

from platelib.light_curves.light_curves import light_curves
from platelib.light_curves.variability import find_variables, stetson_j

PLAN = Plan(n_stars=1000, n_subs=80, n_nights=4, n_variables=120)


@pytest.fixture(scope="module", params=[11, 12])
def found(request):
    """Stars with their truth, the strength of what was drawn in sigma, and their variability."""
    series, truth = draw(request.param, PLAN)
    curves = light_curves(series, TELESCOPE)
    change = truth.brightness - truth.brightness.mean(axis=0)
    strength = np.sqrt(np.nansum((change / curves.error) ** 2, axis=0))
    return series, truth, strength, curves, find_variables(curves, series)


def test_strong_variables_are_found(found):
    """90 % of those whose change is 15 sigma over the series, 97 % from 30 sigma on."""
    _, truth, strength, _, variability = found
    varies = truth.kind != ""
    assert variability.variable[varies & (strength > 15)].mean() >= 0.9
    assert variability.variable[varies & (strength > 30)].mean() >= 0.97


def test_hardly_any_constant_star_is_called_variable(found):
    """Two at the most of 880, with 5 % of them blended, clouds and seeing."""
    _, truth, _, _, variability = found
    assert (variability.variable & (truth.kind == "")).sum() <= 2


def test_the_first_ranks_are_variables(found):
    """The first 30 ranks hold no constant star; probabilities fall with the rank."""
    _, truth, _, _, variability = found
    order = np.argsort(variability.rank)
    assert (truth.kind[order[:30]] != "").all()
    assert (np.diff(variability.log_p_any[order]) >= 0).all()
    assert (variability.false_alarm <= 1).all() and (variability.false_discovery <= 1).all()


def test_amplitudes_of_sines(found):
    """Amplitudes of sines that are well covered are within 25 %."""
    _, truth, strength, _, variability = found
    covered = (truth.kind == "sine") & (strength > 20) & (truth.period_d < 0.3)
    covered &= truth.amplitude < 0.4
    ratio = variability.amplitude_mag[covered] / truth.amplitude[covered]
    assert covered.sum() >= 2
    assert np.median(ratio) == pytest.approx(1, abs=0.25)


@pytest.mark.parametrize("seed", range(2))
def test_fields_without_variables_have_none(seed):
    """Of 500 constant stars none is called variable, none of them blended."""
    plan = replace(PLAN, n_stars=500, n_subs=40, n_nights=2, n_variables=0, blends=0.0)
    series, _ = draw(50 + seed, plan)
    found = find_variables(light_curves(series, TELESCOPE), series)
    assert found.variable.sum() == 0


def test_stars_that_follow_the_seeing_are_not_variable():
    """A star of which 5 % follow the seeing is said to; it is not called variable."""
    plan = replace(PLAN, n_stars=400, n_subs=60, n_nights=2, n_variables=0, blends=0.0)
    series, _ = draw(8, plan)
    star = int(np.argsort(series.magnitude)[40])
    seeing = np.log(series.fwhm_px / series.fwhm_px.mean())[:, None]
    flux = series.flux.copy()
    flux[:, :, star] *= (1 + 0.1 * seeing)[:, 0]
    series = replace(series, flux=flux)
    found = find_variables(light_curves(series, TELESCOPE), series)
    assert found.seeing_share[star] > 0.5
    assert not found.variable[star]


def test_stetson_j_as_published():
    """J equals a slow evaluation of Stetson's equation 1, with weights of 1, night by night."""
    rng = np.random.default_rng(2)
    night = np.repeat([0, 1], [6, 5])
    deviation = rng.normal(0, 1, (11, 3))
    deviation[4, 1] = np.nan
    j, pairs = stetson_j(deviation, night)
    for star in range(3):
        values = deviation[:, star]
        n = np.isfinite(values).sum()
        total, count = 0.0, 0
        for i in range(10):
            product = n / (n - 1) * values[i] * values[i + 1]
            if night[i] == night[i + 1] and np.isfinite(product):
                total, count = total + np.sign(product) * np.sqrt(abs(product)), count + 1
        assert j[star] == pytest.approx(total / count)
        assert pairs[star] == count


@pytest.mark.parametrize(("n_stars", "n_subs", "n_nights"), [(150, 8, 8), (150, 2, 1), (12, 40, 2)])
def test_small_series_without_facts_are_ranked(n_stars, n_subs, n_nights):
    """One sub a night, two subs, or 12 stars; no seeing, airmass, colour: all get a rank."""
    plan = Plan(n_stars, n_subs, n_nights, n_variables=3, faintest=13)
    series, _ = draw(3, plan)
    none = np.full(n_subs, np.nan)
    series = replace(series, fwhm_px=none, airmass=none, transparency=none, sensor=None)
    series = replace(series, colour=np.full(n_stars, np.nan))
    found = find_variables(light_curves(series, TELESCOPE), series)
    assert np.isfinite(found.log_p).all()
    assert np.isnan(found.seeing_share).all()
    assert sorted(found.rank.tolist()) == list(range(1, n_stars + 1))
