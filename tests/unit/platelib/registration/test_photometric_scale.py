import numpy as np
import pytest

from platelib.background.measure_mesh import sky_mesh
from platelib.background.mesh import Mesh
from platelib.numerics.transform import Transform, exponents, identity, normalisation
from platelib.registration.photometric_scale import ReferenceSky, flux_scale
from platelib.simulate.psf import add_stars, moffat_image

SHAPE = (480, 641)


def _fluxes(seed: int, count: int, factor: float):
    """Fluxes of stars on the reference and on a sub, with their errors.

    Flat field and apertures add 1 % to their ratio that the errors do not know.
    """
    rng = np.random.default_rng(seed)
    flux = 10 ** rng.uniform(3, 5, count)
    other = flux / factor * rng.normal(1, 0.01, count)
    first, second = np.sqrt(flux + 1e5) / 10, np.sqrt(other + 1e5) / 10
    return (
        flux + rng.normal(0, 1, count) * first,
        first,
        other + rng.normal(0, 1, count) * second,
        second,
    )


@pytest.mark.parametrize("factor", [0.3, 1.0, 2.5])
def test_flux_scale_is_unbiased(factor):
    """The factor is the true one within its error, over many trials within 0.1 %."""
    scales = [flux_scale(*_fluxes(seed, 200, factor)) for seed in range(40)]
    values = np.array([scale.factor for scale in scales]) / factor
    assert values.mean() == pytest.approx(1, abs=1e-3)
    assert values.std() < 0.005
    errors = np.array([scale.error for scale in scales]) / factor
    assert 0.7 < values.std() / errors.mean() < 1.4


def test_outliers_do_not_move_the_scale():
    """A fifth of wrong stars - variables, blends, misidentified - moves the factor under 1 %."""
    for seed in range(10):
        one, error_one, two, error_two = _fluxes(seed, 100, 1.4)
        rng = np.random.default_rng(seed)
        wrong = rng.choice(100, 20, replace=False)
        two[wrong] *= 10 ** rng.uniform(-1, 1, 20)
        scale = flux_scale(one, error_one, two, error_two)
        assert scale.factor == pytest.approx(1.4, rel=0.01)
        assert scale.count == 100


def test_equal_fluxes_have_factor_one():
    """A sub compared with itself has the factor 1 exactly."""
    flux, error, _, _ = _fluxes(3, 50, 1.0)
    assert flux_scale(flux, error, flux, error).factor == 1.0


def test_no_stars_no_scale():
    """Without stars in common there is no factor."""
    nothing = np.zeros(0)
    with pytest.raises(ValueError, match="no stars in common to compare brightness"):
        flux_scale(nothing, nothing, nothing, nothing)


def _similarity(dx: float, dy: float, angle_deg: float) -> Transform:
    cx, cy, half = normalisation(SHAPE)
    cos, sin = (half * f(np.radians(angle_deg)) for f in (np.cos, np.sin))
    return Transform(1, cx, cy, half, np.array([cx + dx, cos, -sin]), np.array([cy + dy, sin, cos]))


def _surface(sky: np.ndarray, x, y) -> np.ndarray:
    """Polynomial of a sky in grid coordinates."""
    cx, cy, half = normalisation(SHAPE)
    degree = {1: 0, 3: 1, 6: 2}[len(sky)]
    u, v = (x - cx) / half, (y - cy) / half
    return sum(c * u**i * v**j for c, (i, j) in zip(sky, exponents(degree), strict=True))


def _on_the_raw_frame(transform: Transform, function) -> np.ndarray:
    """Draw a function of grid coordinates into the frame of a sub, by inverting its similarity."""
    rows, columns = np.indices(SHAPE, dtype=np.float64)
    matrix = np.array([transform.x[1:3], transform.y[1:3]]) / transform.scale
    offset = np.stack([columns - transform.x[0], rows - transform.y[0]])
    x, y = np.einsum("ij,j...->i...", np.linalg.inv(matrix), offset)
    return function(x + transform.centre_x, y + transform.centre_y)


def _galaxy(x, y):
    """Light that is fixed on the sky and fills several cells."""
    return 400 * np.exp(-0.5 * (((x - 250) / 90) ** 2 + ((y - 200) / 60) ** 2))


def _meshes(seed: int, transform: Transform, sky: np.ndarray, factor: float) -> tuple[Mesh, Mesh]:
    """Sky meshes of a sub and of the reference, which share galaxy and stars."""
    rng = np.random.default_rng(seed)
    x, y = rng.uniform(0, 640, 120), rng.uniform(0, 480, 120)
    flux = 10 ** rng.uniform(3, 5, 120)

    def mesh(place: Transform, light: np.ndarray, scale: float) -> Mesh:
        image = light.astype(np.float32)
        add_stars(image, *place(x, y), flux / scale, moffat_image(2.8, 3.3))
        return sky_mesh((image + rng.normal(0, 12, SHAPE)).astype(np.float32), 32)

    target = _on_the_raw_frame(transform, _galaxy)
    extra = _on_the_raw_frame(transform, lambda x, y: _surface(sky, x, y))
    base = _on_the_raw_frame(identity(SHAPE), _galaxy)
    return (
        mesh(transform, (300 + target + extra) / factor, factor),
        mesh(identity(SHAPE), 300 + base, 1.0),
    )


def _difference(sub: Mesh, reference: Mesh, transform: Transform, factor: float, degree: int):
    return ReferenceSky(reference, identity(SHAPE), SHAPE, degree).difference(
        sub, transform, factor
    )


SKIES = {
    0: np.array([55.0]),
    1: np.array([80.0, 40.0, -25.0]),
    2: np.array([80.0, 40.0, -25.0, 30.0, -12.0, 18.0]),
}


@pytest.mark.parametrize("degree", [0, 1, 2])
@pytest.mark.parametrize("flip", [False, True])
@pytest.mark.parametrize("factor", [1.0, 1.6])
def test_sky_differences_are_recovered(degree, flip, factor):
    """Constant, plane and quadratic come out within a tenth of the noise, a flip or not.

    The target and its halo are fixed on the sky and leave no trace.
    """
    transform = _similarity(9.3, -14.6, 180.4 if flip else 0.3)
    sub, reference = _meshes(degree, transform, SKIES[degree], factor)
    fitted = _difference(sub, reference, transform, factor, degree)
    assert len(fitted) == len(SKIES[degree])
    y, x = np.mgrid[20:460:20, 20:620:20]
    error = _surface(fitted, x, y) - _surface(SKIES[degree], x, y)
    assert np.sqrt(np.mean(error**2)) < 1.2
    assert np.abs(error).max() < 4


def test_equal_skies_do_not_differ():
    """The reference compared with itself has no difference at all."""
    _, reference = _meshes(5, identity(SHAPE), SKIES[0], 1.0)
    fitted = _difference(reference, reference, identity(SHAPE), 1.0, 2)
    np.testing.assert_allclose(fitted, 0, atol=1e-9)


def test_something_bright_on_one_sub_does_not_tilt_the_sky():
    """Light over a few cells of one sub alone is left out of the fit."""
    transform = _similarity(3.0, 2.0, 0.0)
    sub, reference = _meshes(6, transform, SKIES[1], 1.0)
    sub.level[4:7, 5:8] += 500
    fitted = _difference(sub, reference, transform, 1.0, 1)
    y, x = np.mgrid[20:460:20, 20:620:20]
    assert np.abs(_surface(fitted, x, y) - _surface(SKIES[1], x, y)).max() < 4


def test_little_overlap_gives_a_constant():
    """Where frames hardly overlap the difference is one number."""
    transform = _similarity(625.0, 470.0, 0.0)
    sub, reference = _meshes(7, transform, SKIES[0], 1.0)
    fitted = _difference(sub, reference, transform, 1.0, 2)
    assert len(fitted) == 1
    apart = _similarity(5000.0, 0.0, 0.0)
    fitted = _difference(sub, reference, apart, 1.0, 2)
    expected = np.median(sub.level) - np.median(reference.level)
    assert fitted == pytest.approx([expected])


def test_coefficients_are_rounded():
    """Coefficients carry seven digits, so that last bits do not travel on."""
    transform = _similarity(3.0, 2.0, 0.0)
    sub, reference = _meshes(8, transform, SKIES[2], 1.0)
    fitted = _difference(sub, reference, transform, 1.0, 2)
    assert all(float(f"{value:.7g}") == value for value in fitted)
