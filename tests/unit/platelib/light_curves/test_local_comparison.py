from dataclasses import replace

import numpy as np
import pytest
from drawn_light_curves import Plan, draw

from platelib.light_curves.ensemble import fit_ensemble
from platelib.light_curves.local_comparison import (
    check_stars,
    choose_comparisons,
    local_curves,
)


@pytest.fixture(scope="module")
def drawn():
    """A clear night with its ensemble."""
    series, _ = draw(3, Plan(n_stars=500, n_subs=40, n_nights=1, n_variables=0, cloud=0.0))
    ensemble = fit_ensemble(series, 0, np.zeros(40))
    return series, ensemble, choose_comparisons(series, ensemble)


def test_a_star_is_never_its_own_comparison(drawn):
    """No star is in its list, nor the same star twice."""
    series, _, comparisons = drawn
    for star, others in enumerate(comparisons.stars.tolist()):
        assert star not in others
        assert len(set(others)) == len(others)
    assert comparisons.stars.shape == (series.n_stars, 40)


def test_comparisons_are_stable_and_alike(drawn):
    """They have weight in the ensemble, and are nearer in brightness than stars at random."""
    series, ensemble, comparisons = drawn
    assert (ensemble.weight[:, comparisons.stars].sum(axis=0) > 0).all()
    stable = np.flatnonzero(ensemble.weight.sum(axis=0) > 0)
    own = np.abs(series.magnitude[comparisons.stars[stable]] - series.magnitude[stable, None])
    chance = np.abs(series.magnitude[stable] - series.magnitude[stable, None])
    assert np.median(own) < 0.7 * np.median(chance)
    assert np.median(comparisons.closeness[:, 0]) > np.median(comparisons.closeness[:, -1])


def test_a_change_of_the_star_shows_in_full(drawn):
    """A star made 5 % brighter in ten subs shows 5 %, in ensemble and local curves."""
    series, ensemble, _ = drawn
    star = int(np.argmax(ensemble.weight.sum(axis=0)))
    flux = series.flux.copy()
    flux[:, 20:30, star] *= 1.05
    changed = replace(series, flux=flux)
    found = fit_ensemble(changed, 0, np.zeros(40))
    local, error = local_curves(found, choose_comparisons(changed, found))
    before, _ = local_curves(ensemble, choose_comparisons(series, ensemble))
    for new, old in ((found.relative, ensemble.relative), (local, before)):
        change = (new - old)[:, star]
        step = change[20:30].mean() - np.delete(change, slice(20, 30)).mean()
        assert step == pytest.approx(0.05, abs=0.001)
    assert (error > 0).all()


def test_check_star_is_a_comparison_star(drawn):
    """The check star is among the ten nearest."""
    _, ensemble, comparisons = drawn
    checks = check_stars(ensemble, comparisons)
    assert (comparisons.stars[:, :10] == checks[:, None]).any(axis=1).all()
