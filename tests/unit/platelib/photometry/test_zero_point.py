import numpy as np
import pytest

from platelib.photometry.zero_point import fit_extinction, fit_zero_point, sky_brightness


def _stars(count=60, zero=21.3, colour_term=-0.12, scatter=0.02, seed=2):
    rng = np.random.default_rng(seed)
    magnitude, colour = rng.uniform(9, 13, count), rng.normal(0, 0.4, count)
    flux = 10 ** (-0.4 * (magnitude - zero - colour_term * colour + rng.normal(0, scatter, count)))
    return flux, 0.003 * flux, magnitude, colour


def test_zero_point_and_colour_term_are_found_within_their_errors():
    """Over 50 sets the pulls have unit scatter, so the errors are honest."""
    pulls = []
    for seed in range(50):
        found = fit_zero_point(*_stars(seed=seed))
        pulls.append(
            [(found.value - 21.3) / found.error, (found.colour_term + 0.12) / found.colour_error]
        )
        assert found.scatter == pytest.approx(0.02, rel=0.5)
    spread = np.std(pulls, axis=0)
    assert ((spread > 0.7) & (spread < 1.4)).all()
    assert np.abs(np.mean(pulls, axis=0)).max() < 0.5


def test_outliers_do_not_count():
    """A fifth of the stars with another one beside them, and variables, move nothing."""
    flux, error, magnitude, colour = _stars()
    flux[:12] *= np.linspace(1.3, 8, 12)
    found = fit_zero_point(flux, error, magnitude, colour)
    assert not found.used[:12].any()
    assert found.value == pytest.approx(21.3, abs=0.02)


def test_few_stars_give_no_colour_term():
    """With five stars, or of one colour, the term is 0 and its error is not known."""
    few = fit_zero_point(*(column[:5] for column in _stars(colour_term=0.0)))
    assert few.colour_term == 0.0
    assert np.isnan(few.colour_error)
    flux, error, magnitude, colour = _stars(colour_term=0.0)
    assert fit_zero_point(flux, error, magnitude, 0 * colour + 0.1).colour_term == 0.0


def test_two_stars_are_refused():
    """Two stars have no scatter that could be judged."""
    with pytest.raises(ValueError, match="2 stars, and a zero point needs 3"):
        fit_zero_point(*(column[:2] for column in _stars()))


def test_sky_brightness_is_that_of_a_square_arc_second():
    """100 units a pixel of 2 arc seconds are 25 a square arc second."""
    assert sky_brightness(22.0, 100.0, 2.0) == pytest.approx(22.0 - 2.5 * np.log10(25.0))
    assert np.isnan(sky_brightness(22.0, -1.0, 2.0))


def test_extinction_is_the_slope_against_airmass():
    """0.25 mag an airmass, with a cloud over two subs, is found within its error."""
    rng = np.random.default_rng(3)
    air = np.linspace(1.0, 2.2, 25)
    zero = 23.0 - 0.25 * air + rng.normal(0, 0.01, 25)
    zero[[4, 17]] -= 0.6
    found = fit_extinction(zero, air)
    assert found.coefficient == pytest.approx(0.25, abs=4 * found.error)
    assert found.error < 0.02
    assert found.zero_point == pytest.approx(23.0, abs=0.03)
    assert 21 <= found.count <= 23


def test_extinction_wants_a_range_of_airmass():
    """Subs at one altitude tell nothing, and it is said what is needed."""
    with pytest.raises(ValueError, match=r"6 subs at airmass 1.10 to 1.15: 5 over a range of 0.2"):
        fit_extinction(np.full(6, 22.0), np.linspace(1.10, 1.15, 6))
