import numpy as np
import pytest

from platelib.light_curves.colour_extinction import fit_colour_extinction

NIGHT = np.repeat([0, 1, 2], 20)


def _draw(slope, seed, noise=0.004):
    rng = np.random.default_rng(seed)
    airmass = np.tile(np.linspace(1.0, 1.8, 20), 3)
    airmass[NIGHT == 2] = 1.2
    colour = rng.normal(0.8, 0.4, 60)
    colour[:10] = np.nan
    deviation = slope * (airmass - 1.3)[:, None] * (np.nan_to_num(colour, nan=0.8) - 0.8)
    deviation = deviation + rng.normal(0, noise, deviation.shape)
    return deviation, np.full(deviation.shape, noise**-2), airmass, colour


@pytest.mark.parametrize("seed", range(3))
def test_slope_is_found_within_its_error(seed):
    """A slope of 0.03 is found within 3.5 errors; a night at one airmass takes the mean."""
    deviation, weight, airmass, colour = _draw(0.03, seed)
    found = fit_colour_extinction(deviation, weight, airmass, NIGHT, colour)
    assert abs(found.slope[0] - 0.03) < 3.5 * np.nanmin(found.error)
    assert found.slope[2] == found.slope[0] and np.isnan(found.error[2])
    term = found.at(airmass, NIGHT, colour)
    assert term.shape == deviation.shape
    assert (term[:, :10] == 0).all()


def test_no_slope_without_significance():
    """Of 40 series without extinction by colour, at most two get one."""
    count = 0
    for seed in range(40):
        deviation, weight, airmass, colour = _draw(0.0, 100 + seed)
        found = fit_colour_extinction(deviation, weight, airmass, NIGHT, colour)
        count += bool(found.slope.any())
    assert count <= 2


def test_unknown_colours_or_airmass_give_no_term():
    """Without any colour the term is 0, and the error NaN."""
    deviation, weight, airmass, colour = _draw(0.03, 1)
    found = fit_colour_extinction(deviation, weight, airmass, NIGHT, np.full_like(colour, np.nan))
    assert not found.slope.any() and np.isnan(found.error).all()
    assert not found.at(np.full_like(airmass, np.nan), NIGHT, colour).any()
