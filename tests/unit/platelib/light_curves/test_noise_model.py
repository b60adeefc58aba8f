import numpy as np
import pytest
from scipy import stats

from platelib.light_curves.noise_model import (
    fit_noise,
    median_chi_square,
    reduced_chi_square,
)

N_SUBS, N_STARS = 80, 400


def _draw(seed, floor=0.003, understated=1.0):
    rng = np.random.default_rng(seed)
    classes = np.repeat([0, 1, 2, 3], N_STARS // 4)
    photons = np.array([0.001, 0.004, 0.02, 0.08])[classes] * rng.uniform(0.8, 1.2, N_STARS)
    known = np.broadcast_to(photons, (N_SUBS, N_STARS)) * rng.uniform(0.9, 1.3, (N_SUBS, 1))
    scatter = np.hypot(understated * known, floor)
    return rng.normal(0, 1, known.shape) * scatter, known, classes, scatter, rng


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize(("floor", "understated"), [(0.003, 1.0), (0.0, 1.0), (0.002, 0.6)])
def test_constant_stars_have_chi_square_1_in_every_class(seed, floor, understated):
    """Within 5 %, whether a floor is missing or errors are stated too high."""
    deviation, known, classes, _, _ = _draw(seed, floor, understated)
    model = fit_noise(deviation, known, classes)
    chi = reduced_chi_square(deviation, model.error)
    for number in range(4):
        assert chi[classes == number].mean() == pytest.approx(1, abs=0.05)
    if floor > 0 and understated == 1:
        assert model.floor[0] == pytest.approx(floor, rel=0.1)


def test_variables_and_outliers_do_not_raise_the_floor():
    """One star in eight that varies, and one value in a hundred far off, cost 10 % at most."""
    deviation, known, classes, scatter, rng = _draw(7)
    deviation[:, ::8] += 5 * scatter[:, ::8] * np.sin(np.arange(N_SUBS))[:, None]
    deviation[rng.random(deviation.shape) < 0.01] += 0.5
    model = fit_noise(deviation, known, classes)
    ratio = np.median(model.error / scatter, axis=0)
    assert np.abs(ratio - 1).max() < 0.1


def test_a_bad_sub_gets_larger_errors():
    """A sub in which all stars scatter three times as much gets a factor of 3 within 10 %."""
    deviation, known, classes, _, _ = _draw(3)
    deviation[11] *= 3
    model = fit_noise(deviation, known, classes)
    assert model.sub_factor[11] == pytest.approx(3, rel=0.1)
    assert np.delete(model.sub_factor, 11).max() < 1.3


def test_gaps_are_left_out():
    """NaN in deviations and errors change nothing for the others."""
    deviation, known, classes, _, rng = _draw(5)
    known = known.copy()
    gaps = rng.random(deviation.shape) < 0.1
    deviation[gaps] = known[gaps] = np.nan
    model = fit_noise(deviation, known, classes)
    chi = reduced_chi_square(deviation, model.error)
    assert chi.mean() == pytest.approx(1, abs=0.05)


def test_median_of_chi_square_is_scipys():
    """Wilson and Hilferty's median is within 1 % from 5 degrees of freedom on."""
    freedom = np.array([5, 20, 100])
    np.testing.assert_allclose(
        median_chi_square(freedom), stats.chi2.median(freedom) / freedom, rtol=0.01
    )
