import numpy as np
import pytest
from array_rows import DisplayArray

from platefiles.picture.side_by_side_picture import Sheet


def _pictures(shape):
    rng = np.random.default_rng(6)
    return [rng.integers(0, 65536, (*shape, 3)).astype(np.uint16) for _ in range(3)]


@pytest.mark.parametrize("shape", [(90, 300), (70, 140), (33, 90)])
def test_pictures_stand_side_by_side_below_their_labels(shape):
    """Pixels are those of the pictures, enlarged where labels would not fit; around is paper."""
    pictures = _pictures(shape)
    sheet = Sheet([DisplayArray(one) for one in pictures], ("first", "second", "third"))
    rows = sheet.rows(0, sheet.shape[0])
    scale = -(-280 // shape[1])
    width, height = shape[1] * scale, shape[0] * scale
    assert sheet.shape == (height + 38, 3 * (width + 8) + 8)
    for k, picture in enumerate(pictures):
        left = 8 + k * (width + 8)
        panel = rows[8 : 8 + height, left : left + width]
        np.testing.assert_array_equal(panel[::scale, ::scale], picture)
        np.testing.assert_array_equal(panel[scale - 1 :: scale, scale - 1 :: scale], picture)
        assert (rows[:, left - 8 : left] == 24 * 257).all()
        assert rows[8 + height :, left : left + width].max() > 50000
    assert (rows[:8] == 24 * 257).all()


@pytest.mark.parametrize("step", [1, 7, 64])
def test_rows_are_the_same_in_strips(step):
    """A strip may begin in the paper, in a picture or in the labels."""
    sheet = Sheet([DisplayArray(one) for one in _pictures((33, 90))], ("a", "b" * 200, "c"))
    whole = sheet.rows(0, sheet.shape[0])
    for start in range(0, sheet.shape[0], step):
        stop = min(start + step, sheet.shape[0])
        np.testing.assert_array_equal(sheet.rows(start, stop), whole[start:stop])
