import numpy as np
import pytest

from platelib.background.chebyshev_surface import (
    CellLevels,
    chebyshev_terms,
    fit_chebyshev,
    least_squares_of_normal,
)
from platelib.background.surface import RING, Lattice, SkySurface, constant_surface, rounded_below
from platelib.background.thin_plate import fit_thin_plate

SHAPE = (150, 211)


def _quadratic(x, y):
    return 3 + 0.02 * x - 0.015 * y + 4e-5 * x * x - 3e-5 * x * y + 2e-5 * y * y


def _cells(lattice, error=0.01, seed=2, of=_quadratic):
    """Levels of all cells of a lattice, a bit off their middles, with noise."""
    rng = np.random.default_rng(seed)
    ys, xs = lattice.places()
    y, x = np.meshgrid(ys[RING:-RING], xs[RING:-RING], indexing="ij")
    row, column = (index.ravel().astype(np.int32) for index in np.indices(lattice.cells))
    x, y = (np.clip(v.ravel() + rng.uniform(-3, 3, v.size), 0, None) for v in (x, y))
    x, y = np.minimum(x, SHAPE[1] - 1.0), np.minimum(y, SHAPE[0] - 1.0)
    level = of(x, y) + error * rng.standard_normal(x.size)
    return CellLevels(x, y, level, np.full(x.size, error), row, column)


def test_nodes_hold_a_quadratic_exactly():
    """Cubic convolution gives a polynomial of degree two at every pixel, up to the edges."""
    lattice = Lattice(SHAPE, 24)
    ys, xs = lattice.places()
    surface = SkySurface(lattice, _quadratic(xs, ys[:, None]), np.zeros(lattice.nodes))
    y, x = np.indices(SHAPE)
    np.testing.assert_allclose(surface.rows(0, SHAPE[0]), _quadratic(x, y), atol=1e-11)
    np.testing.assert_array_equal(surface.rows(40, 90), surface.rows(0, SHAPE[0])[40:90])
    some = np.array([0, 57, 210]), np.array([149, 3, 77])
    np.testing.assert_allclose(surface.at(*some), _quadratic(*some), atol=1e-11)


def test_a_constant_stays_one_and_its_range_is_nothing():
    """Level and range are those of the nodes inside of the image."""
    surface = constant_surface(Lattice(SHAPE, 24), 7.25, 0.5)
    assert np.ptp(surface.rows(0, SHAPE[0])) < 1e-14
    assert (surface.level, surface.range) == (7.25, 0.0)
    np.testing.assert_array_equal(surface.errors, 0.5)


def test_rounding_keeps_what_the_error_leaves_to_know():
    """Values move by less than a thousandth of the smallest error, and end in zeros."""
    values, errors = np.array([1.23456789123, -0.5]), np.array([0.02, 0.3])
    rounded = rounded_below(values, errors)
    assert np.abs(rounded - values).max() <= 0.02 / 1000
    np.testing.assert_allclose(rounded * 1e5, np.rint(rounded * 1e5), atol=1e-9)


def test_terms_are_those_of_the_chebyshev_polynomials():
    """Compared with numpy.polynomial.chebyshev; the edges of the image lie at -1 and 1."""
    x, y = np.array([-0.5, 3.0, 100.0, 210.5]), np.array([149.5, 77.0, 0.0, -0.5])
    u, v = (2 * x + 1) / SHAPE[1] - 1, (2 * y + 1) / SHAPE[0] - 1
    assert (u[0], u[-1], v[0], v[-1]) == (-1, 1, 1, -1)
    table = np.polynomial.chebyshev.chebvander2d(u, v, [4, 4]).reshape(4, 5, 5)
    terms = chebyshev_terms(x, y, SHAPE, 4)
    order = [(i, total - i) for total in range(5) for i in range(total, -1, -1)]
    for term, (i, j) in zip(terms, order, strict=True):
        np.testing.assert_allclose(term, table[:, i, j], atol=1e-14)


def test_normal_equations_are_solved_like_lapack_does():
    """Elimination in order agrees with numpy.linalg.solve."""
    rng = np.random.default_rng(4)
    a = rng.standard_normal((30, 12))
    right = rng.standard_normal((12, 5))
    expected = np.linalg.solve(a.T @ a, right)
    np.testing.assert_allclose(least_squares_of_normal(a.T @ a, right), expected, rtol=1e-9)


@pytest.mark.parametrize("kind", ["chebyshev", "thin_plate"])
def test_a_surface_and_its_error_are_right(kind):
    """Over many noises the surface is true on average, and strays as far as its error says."""
    lattice = Lattice(SHAPE, 24)
    pulls, gaps = [], []
    y, x = (place.ravel() for place in np.indices(SHAPE)[:, 5::29, 5::29])
    for seed in range(12):
        cells = _cells(lattice, seed=seed)
        weights = np.ones(len(cells))
        if kind == "chebyshev":
            surface = fit_chebyshev(cells, lattice, 2, weights)
        else:
            surface = fit_thin_plate(cells, lattice, weights)
        error = SkySurface(surface.lattice, surface.errors, surface.errors).at(x, y)
        gaps.append(surface.at(x, y) - _quadratic(x, y))
        pulls.append(gaps[-1] / error)
    assert np.std(gaps) < 0.8 * 0.01
    assert np.std(pulls) == pytest.approx(1.0, abs=0.3)


def test_errors_of_a_polynomial_are_those_of_the_covariance():
    """Compared with numpy.linalg on the same terms."""
    lattice = Lattice(SHAPE, 24)
    cells = _cells(lattice, seed=1)
    surface = fit_chebyshev(cells, lattice, 2, np.ones(len(cells)))
    terms = chebyshev_terms(cells.x, cells.y, SHAPE, 2)
    covariance = np.linalg.inv((terms / 0.01**2) @ terms.T)
    ys, xs = lattice.places()
    at = chebyshev_terms(np.full(1, xs[5]), np.full(1, ys[4]), SHAPE, 2)[:, 0]
    assert surface.errors[4, 5] == pytest.approx(np.sqrt(at @ covariance @ at), rel=0.2)


def test_a_plate_is_as_stiff_as_the_noise_asks():
    """A plane comes out as a plane, however the cells scatter; without noise a bend is followed."""
    lattice = Lattice(SHAPE, 24)
    flat = _cells(lattice, of=lambda x, y: 5 + 0.01 * x)
    surface = fit_thin_plate(flat, lattice, np.ones(len(flat)))
    y, x = np.indices(SHAPE)
    assert np.std(surface.rows(0, SHAPE[0]) - 5 - 0.01 * x) < 0.004
    wave = _cells(lattice, 0.001, of=lambda x, y: np.sin(x / 35))
    surface = fit_thin_plate(wave, lattice, np.ones(len(wave)))
    inner = np.s_[20:-20, 20:-20]
    assert np.std((surface.rows(0, SHAPE[0]) - np.sin(x / 35))[inner]) < 0.1


def test_a_cell_without_weight_does_not_count():
    """A cell of weight 0 may hold anything."""
    lattice = Lattice(SHAPE, 24)
    cells = _cells(lattice)
    weights = np.ones(len(cells))
    weights[7] = 0
    odd = CellLevels(cells.x, cells.y, cells.level.copy(), cells.error, cells.row, cells.column)
    odd.level[7] += 1000
    for fit in (lambda c: fit_chebyshev(c, lattice, 2, weights),
                lambda c: fit_thin_plate(c, lattice, weights)):  # fmt: skip
        np.testing.assert_array_equal(fit(odd).values, fit(cells).values)
