import pytest

from platefiles.fits.grid_place import GridPlace


@pytest.fixture
def place():
    """A place that is turned, scaled and shifted."""
    return GridPlace(((0.8, -0.6), (0.6, 0.8)), (12.25, -3.5))


def test_cards_and_text_read_back(place):
    """What is written is read, to a millionth of a pixel."""
    for found in (GridPlace.of(dict(place.cards)), GridPlace.read(place.text)):
        assert found.matrix == place.matrix
        assert found.shift == pytest.approx(place.shift, abs=1e-6)


def test_cards_count_from_one():
    """The first pixel of a part from column 4 and row 7 on, from 0, has LTV -4 and -7."""
    cards = dict(GridPlace().cropped(7, 4).cards)
    assert (cards["LTV1"], cards["LTV2"]) == (-4, -7)


def test_edges_stay_where_they_are_in_another_size(place):
    """The corner (-0.5, -0.5) of an image is that of the resized one, whatever their sizes."""
    shape, new = (40, 60), (13, 24)
    resized = place.resized(shape, new)

    def grid_to_image(one, x, y):
        (a, b), (c, d) = one.matrix
        return a * x + b * y + one.shift[0], c * x + d * y + one.shift[1]

    for x, y in ((3.0, 8.0), (50.0, -2.0)):
        before, after = grid_to_image(place, x, y), grid_to_image(resized, x, y)
        for axis in (0, 1):
            share = (before[axis] + 0.5) / shape[1 - axis]
            assert (after[axis] + 0.5) / new[1 - axis] == pytest.approx(share)


def test_headers_without_place_have_none():
    """Other programs write no LTM; a text that is none is refused."""
    assert GridPlace.of({"NAXIS1": 4, "LTV1": 0.0}) is None
    with pytest.raises(ValueError, match="Expecting value"):
        GridPlace.read("")
