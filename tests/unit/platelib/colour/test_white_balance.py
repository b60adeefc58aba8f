import numpy as np
import pytest

from platelib.colour.white_balance import mean_star

NOISE = (0.5, 1.0, 0.8)


def _add(planes, x, y, fluxes, sigma):
    row, column = int(y), int(x)
    rows, columns = slice(row - 20, row + 21), slice(column - 20, column + 21)
    grid_y, grid_x = np.mgrid[rows, columns]
    shape = np.exp(-((grid_x - x) ** 2 + (grid_y - y) ** 2) / (2 * sigma**2))
    shape /= 2 * np.pi * sigma**2
    for plane, flux in zip(planes, fluxes, strict=True):
        plane[rows, columns] += (flux * shape).astype(np.float32)


def _field(count, response=(0.05, 1.0, 0.7), colour_scatter=0.2, seed=8):
    """Draw stars of mixed colours whose mean star gives fluxes in the ratio of ``response``."""
    rng = np.random.default_rng(seed)
    noise = np.array(NOISE) * np.array(response)
    planes = rng.normal(0, noise[:, None, None], (3, 300, 420)).astype(np.float32)
    for index in range(count):
        x, y = 30 + 40 * (index % 9) + rng.uniform(-5, 5), 30 + 40 * (index // 9)
        colour = rng.normal(0, colour_scatter)
        flux = 10 ** rng.uniform(2.9, 4.2)
        tint = np.exp([colour, 0, -colour])
        _add(planes, x, y + rng.uniform(-5, 5), flux * np.array(response) * tint, 1.5)
    return planes, tuple(float(value) for value in noise)


def test_the_mean_star_becomes_white():
    """Factors undo the response of the planes to a few times the standard error."""
    planes, noise = _field(54)
    white = mean_star(planes, noise)
    assert white.note == ""
    assert white.stars >= 30
    error = 0.2 * 1.253 / np.sqrt(white.stars)
    assert np.log(white.factors[0] * 0.05) == pytest.approx(0, abs=3.5 * error)
    assert np.log(white.factors[2] * 0.7) == pytest.approx(0, abs=3.5 * error)
    assert white.factors[1] == 1
    assert white.scatter[0] == pytest.approx(0.2, rel=0.5)
    assert white.scatter[1] == 0


def test_stars_of_one_colour_give_exact_factors():
    """Without a scatter of colours the factors are right to half a per cent."""
    planes, noise = _field(54, colour_scatter=0.0)
    white = mean_star(planes, noise)
    assert white.factors[0] == pytest.approx(1 / 0.05, rel=0.005)
    assert white.factors[2] == pytest.approx(1 / 0.7, rel=0.005)


def test_a_red_galaxy_does_not_count():
    """A bright extended object of another colour leaves the factors as they are."""
    planes, noise = _field(54, colour_scatter=0.0)
    y, x = np.indices(planes.shape[1:])
    light = 40 * np.exp(-np.hypot(x - 260, (y - 150) * 1.6) / 25)
    planes += (np.array([0.4, 1.0, 0.2])[:, None, None] * light).astype(np.float32)
    white = mean_star(planes, noise)
    assert white.factors[0] == pytest.approx(1 / 0.05, rel=0.01)
    assert white.factors[2] == pytest.approx(1 / 0.7, rel=0.01)


def test_saturated_stars_do_not_count():
    """Stars cut off in green alone do not pull the factors."""
    planes, noise = _field(45, colour_scatter=0.0)
    for index in range(9):
        _add(planes, 32 + 40 * index, 240, np.array([0.05, 1.0, 0.7]) * 3e4, 1.5)
    planes[1] = np.minimum(planes[1], 900)
    white = mean_star(planes, noise)
    assert white.factors[0] == pytest.approx(1 / 0.05, rel=0.006)


def test_too_few_stars_leave_the_colours_and_say_so():
    """With fewer stars than asked for, factors are one and the note says what to do."""
    planes, noise = _field(5)
    white = mean_star(planes, noise)
    assert white.factors == (1.0, 1.0, 1.0)
    assert "8 are needed" in white.note
    assert "set white: given" in white.note


def test_an_empty_field_has_no_stars():
    """A field of noise finds no stars and does not fail."""
    planes, noise = _field(0)
    assert mean_star(planes, noise).stars == 0


def test_pixels_without_data_do_not_matter():
    """Gaps at the edge and in a star change the factors by less than half a per cent."""
    planes, noise = _field(54, colour_scatter=0.0)
    planes[0, :, :20] = np.nan
    planes[2, 28:34, 28:34] = np.nan
    white = mean_star(planes, noise)
    assert white.factors[0] == pytest.approx(1 / 0.05, rel=0.005)


def test_the_same_field_gives_the_same_factors():
    """Two measurements of one field agree to the last bit, and leave the planes alone."""
    planes, noise = _field(30)
    before = planes.copy()
    assert mean_star(planes, noise) == mean_star(planes, noise)
    np.testing.assert_array_equal(planes, before)
