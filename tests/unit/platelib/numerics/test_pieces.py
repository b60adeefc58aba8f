import numpy as np
import pytest
from scipy.ndimage import binary_dilation, distance_transform_edt, find_objects, label

from platelib.numerics.pieces import pieces_of

ALL_AROUND = np.ones((3, 3), dtype=bool)


def _mask(shape, share, seed):
    """Return noise, smoothed so that pieces have many shapes, some of which touch the edges."""
    rng = np.random.default_rng(seed)
    mask = rng.random(shape) < share
    return binary_dilation(mask, rng.random((3, 3)) < 0.5)


@pytest.fixture(params=[(0, 0.0), (1, 0.002), (2, 0.05), (3, 0.2), (4, 0.5), (5, 1.0)])
def mask(request):
    """Masks from empty to full, most with pieces at the edges."""
    seed, share = request.param
    return _mask((61, 83), share, seed)


def test_pieces_are_those_of_scipy(mask):
    """Numbers, areas, boxes and pixels are those of `scipy.ndimage.label` with all neighbours."""
    labels, count = label(mask, ALL_AROUND)
    pieces = pieces_of(mask)
    assert len(pieces) == count
    assert np.array_equal(pieces.areas, np.bincount(labels.ravel(), minlength=count + 1)[1:])
    assert list(pieces.windows()) == find_objects(labels)
    for number, window in enumerate(pieces.windows()):
        assert np.array_equal(pieces.drawn(number, window), labels[window] == number + 1)


def test_a_piece_is_drawn_in_a_larger_window():
    """A window may extend beyond the piece on all sides."""
    mask = np.zeros((9, 11), dtype=bool)
    mask[2, 3], mask[4:6, 4:8] = True, True
    window = (slice(1, 8), slice(2, 10))
    alone = mask.copy()
    alone[2, 3] = False
    assert np.array_equal(pieces_of(mask).drawn(1, window), alone[window])


def test_pieces_grow_by_radii_of_their_own(mask):
    """Growing by a radius sets what the Euclidean distance transform puts within it."""
    labels, count = label(mask, ALL_AROUND)
    radii = np.random.default_rng(3).uniform(-1, 9, count)
    grown = np.zeros_like(mask)
    pieces_of(mask).grown(radii, grown)
    wanted = np.zeros_like(mask)
    for number, radius in enumerate(radii, start=1):
        wanted |= distance_transform_edt(labels != number) <= radius
    assert np.array_equal(grown, wanted)


@pytest.mark.parametrize("reach", [0, 1, 4])
def test_pieces_grow_by_squares(mask, reach):
    """Growing by so many rows and columns is a dilation with a square, cut off at the edges."""
    grown = np.zeros_like(mask)
    pieces_of(mask).grown_square(reach, grown)
    square = np.ones((2 * reach + 1, 2 * reach + 1), dtype=bool)
    assert np.array_equal(grown, binary_dilation(mask, square))


@pytest.mark.parametrize("shape", [(1, 1), (1, 30), (30, 1), (5, 8), (4, 7)])
def test_pieces_of_masks_of_any_shape(shape):
    """Rows end anywhere in a word; runs never continue in the next row."""
    for seed in range(5):
        mask = _mask(shape, 0.3, seed)
        labels, count = label(mask, ALL_AROUND)
        pieces = pieces_of(mask)
        assert len(pieces) == count
        assert list(pieces.windows()) == find_objects(labels)
