import numpy as np

from platelib.colour.srgb import decode, encode, from_oklab, to_oklab


def test_decode_undoes_encode():
    """Linear light survives the way to display values and back."""
    light = np.linspace(0, 1, 4001)
    np.testing.assert_allclose(decode(encode(light)), light, atol=2e-6)


def test_encode_has_no_break():
    """The straight part and the curve meet: neighbouring light gives neighbouring values."""
    light = np.linspace(0.0030, 0.0033, 301)
    steps = np.diff(encode(light))
    assert (steps > 0).all()
    assert steps.max() < 5e-5


def test_oklab_and_back():
    """Any linear colour survives the way to Oklab and back."""
    light = np.random.default_rng(2).uniform(0, 1, (3, 7, 11))
    np.testing.assert_allclose(from_oklab(to_oklab(light)), light, atol=1e-12)


def test_grey_has_no_chroma():
    """Equal red, green and blue give lightness alone, the cube root of the light."""
    grey = np.linspace(0, 1, 11)
    lab = to_oklab(np.stack([grey, grey, grey]))
    np.testing.assert_allclose(lab[0], np.cbrt(grey), atol=1e-6)
    np.testing.assert_allclose(lab[1:], 0, atol=1e-6)
