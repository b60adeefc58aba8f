import numpy as np
import pytest

from platelib.simulate.psf import add_stars, kernel, moffat_image, moffat_width


def _slow_star(x: float, y: float, fwhm: float, beta: float, shape: tuple[int, int]) -> np.ndarray:
    """Moffat profile integrated over each pixel on a 24 x 24 subgrid."""
    fine = 24
    width = moffat_width(fwhm, beta)
    steps = (np.arange(fine) + 0.5) / fine - 0.5
    rows, columns = np.mgrid[: shape[0], : shape[1]].astype(np.float64)
    image = np.zeros(shape)
    for dy in steps:
        for dx in steps:
            squared = (columns + dx - x) ** 2 + (rows + dy - y) ** 2
            image += (1 + squared / width**2) ** -beta
    return image * (beta - 1) / (np.pi * width**2 * fine**2)


@pytest.mark.parametrize(("x", "y"), [(30.0, 25.0), (30.37, 24.81), (29.5, 25.5), (30.499, 25.13)])
def test_star_equals_direct_integration(x: float, y: float) -> None:
    """A drawn star equals the integral of its profile over each pixel to 0.03 % of its peak."""
    image = np.zeros((51, 61), dtype=np.float32)
    add_stars(image, x, y, 1000.0, moffat_image(2.8, 3.3))
    expected = 1000.0 * _slow_star(x, y, 2.8, 3.3, image.shape)
    assert np.abs(image - expected).max() < 3e-4 * expected.max()


@pytest.mark.parametrize("trail", [(0.0, 0.0), (11.0, 4.5)])
def test_star_keeps_its_light_and_place(trail: tuple[float, float]) -> None:
    """Light and centre of a star are its own within 0.02 %, trailed or not."""
    image = np.zeros((100, 120), dtype=np.float32)
    add_stars(image, 60.3, 50.7, 1.0, moffat_image(3.0, 3.3, trail))
    y, x = np.mgrid[:100, :120]
    total = image.sum(dtype=np.float64)
    assert total == pytest.approx(1.0, abs=2e-4)
    assert ((image * x).sum() / total, (image * y).sum() / total) == pytest.approx(
        (60.3, 50.7), abs=1e-3
    )


def test_half_width_is_the_stated_one() -> None:
    """A Moffat profile falls to half its peak at half its width (definition of FWHM)."""
    width = moffat_width(3.0, 3.3)
    assert (1 + (1.5 / width) ** 2) ** -3.3 == pytest.approx(0.5)


def test_stars_beyond_the_edge_are_cut() -> None:
    """A star on the edge leaves about half of its light, one far outside nothing."""
    image = np.zeros((40, 50), dtype=np.float32)
    star = moffat_image(3.0, 3.3)
    add_stars(image, [-0.5], [20.0], [1.0], star)
    assert image.sum() == pytest.approx(0.5, abs=0.01)
    before = image.copy()
    add_stars(image, [-90.0, 500.0], [20.0, -70.0], [1.0, 1.0], star)
    assert np.array_equal(image, before)


def test_kernel_is_a_centred_star() -> None:
    """The blur kernel is symmetric and holds the light of a star."""
    seeing = kernel(moffat_image(3.0, 3.3))
    assert seeing.sum() == pytest.approx(1.0, abs=2e-4)
    assert np.allclose(seeing, seeing[::-1, ::-1], atol=1e-7)


def test_impossible_seeing_is_refused() -> None:
    """A width of zero or an exponent of 1 is no star image."""
    with pytest.raises(ValueError, match="needs fwhm_px > 0 and beta > 1"):
        moffat_image(0.0, 3.0)
    with pytest.raises(ValueError, match="needs fwhm_px > 0 and beta > 1"):
        moffat_image(3.0, 1.0)
