import numpy as np
import pytest
from array_rows import ArrayRows, DisplayArray

from platefiles.picture.overview_picture import Panel, draw_sheet
from platelib.background.surface import Lattice, SkySurface, constant_surface
from platelib.colour.srgb import decode
from platelib.picture.contact_sheet import channel_panels, model_panel, picture_panel
from platelib.picture.stretch import Look

LOOK = Look(sky_level=0.09, black_sigma=2.5, white_clip_fraction=0.0005, shoulder=0.8)


def _channel(scale, height, sky=5.0, shape=(200, 320)):
    rng = np.random.default_rng(3)
    image = rng.normal(sky, 1.0, shape)
    image[50:70, 40:80] += height
    image[150, 200] += 4000
    return (scale * image).astype(np.float32)


def _panels(channels, widest_px):
    return channel_panels(
        {name: ArrayRows(image[None]) for name, image in channels.items()}, LOOK, widest_px
    )


def test_equal_grey_is_equal_signal_over_noise():
    """A channel in another unit looks the same; one with half the signal looks darker."""
    channels = {"a": _channel(1.0, 20), "b": _channel(1e-3, 20, 90.0), "c": _channel(7.0, 10)}
    shown, curve = _panels(channels, 500)
    np.testing.assert_allclose(shown["a"], shown["b"], atol=0.02)
    grey = {name: np.median(panel[52:68, 45:75]) for name, panel in shown.items()}
    assert grey["c"] < 0.8 * grey["a"]
    for panel in shown.values():
        assert np.median(panel) == pytest.approx(0.09, abs=0.005)
        assert 0 <= panel.min() <= panel.max() <= 1
    assert curve.minimum == pytest.approx(-2.5)


def test_panels_are_small_and_gaps_black():
    """Panels are at most as wide as asked for; what has no data is black."""
    image = _channel(1.0, 20)
    image[:40] = np.nan
    shown, _ = _panels({"a": image}, 100)
    assert shown["a"].shape == (50, 80)
    assert (shown["a"][:10] == 0).all()


def test_a_channel_without_noise_is_named():
    """A channel of one value is refused by name."""
    with pytest.raises(ValueError, match="the sky of dull has no noise"):
        _panels({"dull": np.ones((100, 100), np.float32)}, 100)


def test_a_model_is_shown_over_its_range():
    """A slope goes from black to white, and its ends are told; an even model is grey."""
    lattice = Lattice((100, 400), 10)
    slope = np.linspace(2, 3, lattice.nodes[1]) * np.ones((lattice.nodes[0], 1))
    model = SkySurface(lattice, slope, np.ones(lattice.nodes))
    shown, low, high = model_panel(model, 100)
    assert shown.shape == (25, 100)
    assert (low, high) == (pytest.approx(2, abs=0.05), pytest.approx(3, abs=0.05))
    assert (np.diff(shown[0]) >= 0).all()
    np.testing.assert_allclose(low, np.percentile(model.rows(0, 100), 0.5), atol=0.005)
    assert (model_panel(constant_surface(lattice, 2.0), 20)[0] == 0.5).all()
    assert (model_panel(constant_surface(lattice, np.nan), 20)[0] == 0).all()


def test_a_picture_is_made_small_by_its_light():
    """Black and white in turn become the grey of half the light, not of half the number."""
    display = np.zeros((40, 60, 3), np.uint16)
    display[::2] = 65535
    small = picture_panel(DisplayArray(display), 30)
    assert small.shape == (3, 20, 30)
    np.testing.assert_allclose(decode(small), 0.5, atol=1e-9)


@pytest.mark.parametrize(("count", "across", "down"), [(1, 1, 1), (4, 4, 1), (5, 3, 2), (9, 3, 3)])
def test_panels_are_laid_out_in_full_rows(count, across, down):
    """A sheet has at most four panels in a row, rows are as even as can be, row 0 is below."""
    panels = [Panel(np.ones((30, 40)), f"channel {k}", "12 subs") for k in range(count)]
    sheet = draw_sheet(panels)
    assert sheet.dtype == np.uint16
    assert sheet.shape == (down * (30 + 46) + 10, across * (40 + 10) + 10, 3)
    upright = sheet[::-1]
    assert (upright[46:76, 10:50] == 65535).all()


def test_long_words_are_cut():
    """A title wider than its panel does not run into the next."""
    panels = [
        Panel(np.zeros((30, 60)), "a very long title of a channel", ""),
        Panel(np.zeros((30, 60)), "", ""),
    ]
    upright = draw_sheet(panels)[::-1]
    assert (upright[:46, 72:] == 24 * 257).all()
