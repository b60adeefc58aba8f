"""The sky between stars, down to a few pixels of it."""

import numpy as np
import pytest

from platelib.background.masked_mesh import masked_sky

NY, NX, NOISE = 300, 420, 5.0


def _sky():
    """A gradient of 30 across the image under noise."""
    rng = np.random.default_rng(3)
    truth = 1000 + 30 * np.arange(NX) / NX + np.zeros((NY, 1))
    return truth, (truth + NOISE * rng.standard_normal((NY, NX))).astype(np.float32)


@pytest.mark.parametrize("share", [0.0, 0.45, 0.55, 0.8, 0.95])
def test_the_sky_is_found_however_much_of_it_is_hidden(share):
    """Bright light on any share of the pixels leaves the sky within a noise or so of the truth."""
    truth, image = _sky()
    hidden = np.random.default_rng(4).random((NY, NX)) < share
    image[hidden] += 400
    away = masked_sky(image, hidden, 64).back() - truth
    assert np.abs(away).max() < 1.2 * NOISE
    assert abs(away.mean()) < 0.1 * NOISE


def test_cells_without_sky_take_that_of_their_neighbours():
    """Where light covers whole cells the sky goes on from beside them, and is never 0."""
    truth, image = _sky()
    hidden = np.zeros((NY, NX), dtype=bool)
    hidden[64:256, 100:330] = True
    hidden[:, 390:] = True
    image[hidden] = 5e4
    sky = masked_sky(image, hidden, 64).back()
    assert np.abs(sky - truth).max() < 12  # the gradient across the hole is 16


def test_one_cell_is_enough():
    """Where a single cell shows the sky, it stands for the image."""
    truth, image = _sky()
    hidden = np.ones((NY, NX), dtype=bool)
    hidden[128:192, 192:256] = False
    assert masked_sky(image, hidden, 64).back() == pytest.approx(truth, abs=20)


def test_no_sky_at_all_is_refused():
    """A sky of which nothing is known is not made up."""
    _, image = _sky()
    hidden = np.ones((NY, NX), dtype=bool)
    hidden[::64, ::32] = False
    with pytest.raises(ValueError, match="too few pixels of sky"):
        masked_sky(image, hidden, 64)


def test_full_cells_are_measured_as_they_are():
    """Hidden pixels elsewhere do not move the sky of cells without any; nothing is written to."""
    _, image = _sky()
    hidden = np.zeros((NY, NX), dtype=bool)
    plain = masked_sky(image, hidden, 60).back()
    hidden[:60, :60] = np.random.default_rng(5).random((60, 60)) < 0.7
    before = image.copy(), hidden.copy()
    sky = masked_sky(image, hidden, 60).back()
    assert np.abs(sky - plain)[180:, 240:].max() < 0.01
    assert (image == before[0]).all() and (hidden == before[1]).all()
