from dataclasses import replace

import numpy as np
import pytest
from drawn_light_curves import Plan, draw

from platelib.light_curves.ensemble import fit_ensemble

PLAN = Plan(n_stars=400, n_subs=60, n_nights=3, n_variables=25)


def _clean(seed):
    """A series without noise: clouds with gradients up to degree 1."""
    series, truth = draw(seed, replace(PLAN, n_variables=0, flat_residue=0.0, blends=0.0))
    rng = np.random.default_rng(seed)
    u, v = (series.place / np.ptp(series.place, axis=0)).T
    loss = rng.uniform(0, 0.7, (60, 1)) + rng.normal(0, 0.05, (60, 1)) * u
    loss = loss + rng.normal(0, 0.05, (60, 1)) * v
    flux = 10 ** (-0.4 * (series.magnitude - 25)) * np.exp(-loss)
    return replace(series, flux=flux[None], error=np.sqrt(flux)[None]), loss


@pytest.mark.parametrize("seed", range(2))
def test_constant_in_constant_out(seed):
    """Without noise, clouds of 50 % with gradients leave less than 0.02 mmag."""
    series, _ = _clean(seed)
    found = fit_ensemble(series, 0, np.zeros(60))
    assert np.abs(found.relative - 1).max() < 2e-5
    assert found.degree.min() >= 1


@pytest.mark.parametrize("seed", range(3))
def test_zero_points_are_those_drawn(seed):
    """Through cloud, seeing and variables, within 3 mmag rms."""
    series, truth = draw(seed, PLAN)
    found = fit_ensemble(series, 1, np.zeros(60))
    off = found.zero_point + truth.zero_point
    assert np.std(off) < 0.003
    assert (found.degree[truth.degree > 0] > 0).mean() > 0.8


def test_variables_drop_out_of_the_ensemble():
    """Bright variables of more than 0.1 mag have under a tenth of the weight of their peers."""
    series, truth = draw(5, replace(PLAN, n_variables=120))
    found = fit_ensemble(series, 0, np.zeros(60))
    weight = found.weight.sum(axis=0)
    strong = (truth.amplitude > 0.1) & (truth.kind == "sine") & (series.magnitude < 14)
    constant = (truth.kind == "") & (series.magnitude < 14)
    assert strong.sum() >= 3
    assert np.median(weight[strong]) < 0.1 * np.median(weight[constant])


def test_sub_without_stars_and_stars_without_flux_give_nan():
    """The others keep their curves within their noise."""
    series, _ = draw(2, PLAN)
    flux, error = series.flux.copy(), series.error.copy()
    flux[:, 7] = error[:, 7] = np.nan
    flux[:, :, 11] = error[:, :, 11] = np.nan
    found = fit_ensemble(replace(series, flux=flux, error=error), 0, np.zeros(60))
    whole = fit_ensemble(series, 0, np.zeros(60))
    assert np.isnan(found.relative[7]).all() and np.isnan(found.relative[:, 11]).all()
    assert found.degree[7] == -1 and np.isnan(found.zero_point[7])
    rest = np.delete(np.arange(60), 7)
    change = np.nanmedian(np.abs(found.relative - whole.relative)[rest])
    assert change < 0.1 * np.nanmedian(found.noise)


def test_too_few_comparison_stars_are_refused():
    """The message says how many stars there are, and what they must fulfil."""
    series, _ = draw(1, PLAN)
    faint = series.of_stars(np.argsort(series.magnitude)[-30:])
    with pytest.raises(ValueError, match="0 stars have a signal-to-noise ratio of 20 in 60%"):
        fit_ensemble(faint, 0, np.zeros(60))
