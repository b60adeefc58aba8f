import warnings

import numpy as np
import pytest
from astropy.visualization import make_lupton_rgb
from skimage import color

from platelib.colour.luminance import replace_lightness
from platelib.colour.srgb import decode, encode, to_oklab
from platelib.picture.stretch import AsinhCurve, stretch_planes


def test_srgb_transfer_curve():
    """Encode and decode give the values of IEC 61966-2-1."""
    # Computed from the standard's formulas: 1.055 x^(1/2.4) - 0.055, break at 0.0031308.
    assert encode(0.18) == pytest.approx(0.46135612950, abs=1e-11)
    assert decode(0.5) == pytest.approx(0.21404114048, abs=1e-11)
    assert encode(0.001) == pytest.approx(0.01292, abs=1e-15)
    np.testing.assert_allclose(encode([0.0, 1.0]), [0.0, 1.0], atol=1e-15)


@pytest.fixture(scope="module")
def colour():
    """Return colour-science, which warns at import of what it lacks."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        import colour
    return colour


def test_transfer_curve_agrees_with_colour_science(colour):
    """Encode and decode agree with colour-science's IEC 61966-2-1 over the whole range."""
    light = np.r_[np.linspace(0, 0.01, 200), np.linspace(0.01, 1, 500)]
    np.testing.assert_allclose(encode(light), colour.models.eotf_inverse_sRGB(light), atol=1e-7)
    np.testing.assert_allclose(decode(light), colour.models.eotf_sRGB(light), atol=1e-7)


@pytest.mark.parametrize(
    ("xyz", "expected"),
    [
        # B. Ottosson (2020), "A perceptual color space for image processing", table of test
        # values (values from memory), three decimals.
        ((0.950, 1.000, 1.089), (1.000, 0.000, 0.000)),
        ((1.000, 0.000, 0.000), (0.450, 1.236, -0.019)),
        ((0.000, 1.000, 0.000), (0.922, -0.671, 0.263)),
        ((0.000, 0.000, 1.000), (0.153, -1.415, -0.449)),
    ],
)
def test_oklab_of_xyz(xyz, expected):
    """Oklab of four XYZ colours agrees with the published table."""
    # IEC 61966-2-1: linear sRGB to XYZ.
    matrix = [[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]]
    light = np.linalg.solve(matrix, np.array(xyz))
    np.testing.assert_allclose(to_oklab(light[:, None])[:, 0], expected, atol=1.5e-3)


def test_hue_in_an_independent_space():
    """Replacing lightness turns hue in CIELAB (skimage) little: the two spaces differ in blue."""
    display = np.array([[0.8, 0.3, 0.6], [0.3, 0.7, 0.5], [0.3, 0.4, 0.3]])
    result = replace_lightness(display, np.array([0.3, 0.6, 0.55]))
    lab = [color.rgb2lab(picture.T) for picture in (display, result)]
    hue = [np.degrees(np.arctan2(values[:, 2], values[:, 1])) for values in lab]
    turn = (hue[1] - hue[0] + 180) % 360 - 180
    assert np.abs(turn).max() < 6


@pytest.mark.parametrize(
    ("light", "expected"),
    [
        # astropy.visualization.make_lupton_rgb(minimum=0, stretch=5, Q=8), astropy 8.0.2.
        ((100.0, 50.0, 25.0), (255, 127, 63)),
        ((10.0, 10.0, 10.0), (120, 120, 120)),
        ((0.0, 0.0, 0.0), (0, 0, 0)),
    ],
)
def test_asinh_stretch_values(light, expected):
    """The stretch gives the values of astropy's make_lupton_rgb, which rounds down."""
    display = stretch_planes(np.array(light)[:, None], AsinhCurve(0.0, 5.0, 8.0))
    np.testing.assert_array_equal(np.floor(255 * display[:, 0] + 1e-9), expected)


@pytest.mark.parametrize(("minimum", "stretch", "softening"), [(0, 5, 8), (-2, 30, 3), (1, 2, 20)])
def test_asinh_stretch_agrees_with_astropy(minimum, stretch, softening):
    """A picture with faint, bright and negative light agrees to one 8-bit step everywhere."""
    rng = np.random.default_rng(17)
    planes = rng.normal(0, 1, (3, 120, 90)) + 10 ** rng.uniform(-2, 4, (3, 120, 90))
    theirs = make_lupton_rgb(*planes, minimum=minimum, stretch=stretch, Q=softening)
    ours = stretch_planes(planes, AsinhCurve(minimum, stretch, softening))
    difference = np.moveaxis(ours * 255, 0, -1) - theirs
    assert difference.min() > -1e-6
    assert difference.max() < 1 + 1e-6
