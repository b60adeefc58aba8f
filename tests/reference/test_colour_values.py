import warnings

import numpy as np
import pytest
from astropy.visualization import make_lupton_rgb
from skimage import color

from platelib.colour.cielab import delta_e_2000, to_cielab
from platelib.colour.luminance import replace_lightness
from platelib.colour.srgb import LINEAR_TO_XYZ, decode, encode, to_oklab
from platelib.picture.stretch import AsinhCurve, stretch_planes


def test_srgb_transfer_curve():
    """Encode and decode give the values of IEC 61966-2-1."""
    # Computed from the standard's formulas: 1.055 x^(1/2.4) - 0.055, break at 0.0031308.
    assert encode(0.18) == pytest.approx(0.46135612950, abs=1e-11)
    assert decode(0.5) == pytest.approx(0.21404114048, abs=1e-11)
    assert encode(0.001) == pytest.approx(0.01292, abs=1e-15)
    np.testing.assert_allclose(encode([0.0, 1.0]), [0.0, 1.0], atol=1e-15)


def test_srgb_white():
    """Equal red, green and blue are the white of D65."""
    # IEC 61966-2-1: white at X 0.9505, Y 1, Z 1.0890.
    np.testing.assert_allclose(LINEAR_TO_XYZ.sum(axis=1), [0.9505, 1.0, 1.0890], atol=1e-12)


def test_srgb_agrees_with_scikit_image():
    """XYZ of display colours agrees with skimage.color.rgb2xyz, which has more digits."""
    display = np.random.default_rng(1).uniform(0, 1, (500, 3))
    ours = decode(display) @ LINEAR_TO_XYZ.T
    np.testing.assert_allclose(ours, color.rgb2xyz(display), atol=4e-4)


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


def test_cielab_agrees_with_colour_science(colour):
    """CIE Lab agrees with colour-science, whose matrix has more digits."""
    display = np.random.default_rng(2).uniform(0, 1, (3, 400))
    theirs = colour.XYZ_to_Lab(colour.sRGB_to_XYZ(display.T))
    np.testing.assert_allclose(to_cielab(decode(display)).T, theirs, atol=0.04)
    np.testing.assert_allclose(to_cielab(np.ones(3)), [100, 0, 0], atol=1e-10)


SHARMA = (
    # Sharma, Wu, Dalal (2005), Color Research and Application 30, 21, table 1: pairs 1, 4, 7, 9,
    # 10, 11, 13, 17, 20, 25, 30 and 34 (values from memory, each equal to colour-science's).
    ((50.0, 2.6772, -79.7751), (50.0, 0.0, -82.7485), 2.0425),
    ((50.0, -1.3802, -84.2814), (50.0, 0.0, -82.7485), 1.0000),
    ((50.0, 0.0, 0.0), (50.0, -1.0, 2.0), 2.3669),
    ((50.0, 2.4900, -0.0010), (50.0, -2.4900, 0.0009), 7.1792),
    ((50.0, 2.4900, -0.0010), (50.0, -2.4900, 0.0010), 7.1792),
    ((50.0, 2.4900, -0.0010), (50.0, -2.4900, 0.0011), 7.2195),
    ((50.0, -0.0010, 2.4900), (50.0, 0.0009, -2.4900), 4.8045),
    ((50.0, 2.5, 0.0), (73.0, 25.0, -18.0), 27.1492),
    ((50.0, 2.5, 0.0), (58.0, 24.0, 15.0), 19.4535),
    ((60.2574, -34.0099, 36.2677), (60.4626, -34.1751, 39.4387), 1.2644),
    ((22.7233, 20.0904, -46.6940), (23.0331, 14.9730, -42.5619), 2.0373),
    ((2.0776, 0.0795, -1.1350), (0.9033, -0.0636, -0.5514), 0.9082),
)


@pytest.mark.parametrize(("one", "other", "expected"), SHARMA)
def test_ciede2000_of_the_published_pairs(colour, one, other, expected):
    """CIEDE2000 agrees with the published table to its four decimals, and with colour-science."""
    ours = delta_e_2000(np.array(one), np.array(other))
    assert ours == pytest.approx(expected, abs=6e-5)
    assert ours == pytest.approx(float(colour.delta_E(one, other, method="CIE 2000")), abs=1e-9)
    assert ours == pytest.approx(delta_e_2000(np.array(other), np.array(one)), abs=1e-12)


def test_ciede2000_agrees_with_colour_science(colour):
    """Random pairs, near and far, agree."""
    rng = np.random.default_rng(3)
    one = rng.uniform([0, -90, -90], [100, 90, 90], (600, 3))
    other = one + rng.normal(0, 1, one.shape) * 10 ** rng.uniform(-1, 1.5, (600, 1))
    theirs = colour.delta_E(one, other, method="CIE 2000")
    np.testing.assert_allclose(delta_e_2000(one.T, other.T), theirs, atol=1e-9)


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
    light = np.linalg.solve(LINEAR_TO_XYZ, np.array(xyz))
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
