import numpy as np

from platelib.gaps import mend_gaps


def _ramp():
    y, x = np.mgrid[:30, :40].astype(np.float32)
    return np.stack([x + y, 2 * x, y])


def test_a_small_gap_is_filled_from_its_rim():
    """A gap in a smooth picture is filled to within the slope of its surroundings."""
    planes = _ramp()
    truth = planes.copy()
    planes[1, 10:15, 12:17] = np.nan
    mended, count = mend_gaps(planes)
    assert count == 25
    np.testing.assert_allclose(mended, truth, atol=4)
    assert np.isfinite(mended).all()


def test_a_flat_gap_is_filled_exactly():
    """In a constant picture the gap takes the constant, in every plane."""
    planes = np.full((3, 20, 25), 7, np.float32)
    planes[0, 5:9, 5:9] = np.nan
    mended, _ = mend_gaps(planes)
    np.testing.assert_allclose(mended, 7, rtol=1e-6)


def test_gaps_at_the_edge_and_large_ones_stay():
    """A gap that touches the edge, or is too large, is left."""
    planes = _ramp()
    planes[:, 0:3, 10:12] = np.nan
    planes[:, 10:25, 10:25] = np.nan
    mended, count = mend_gaps(planes, largest_px=100)
    assert count == 0
    np.testing.assert_array_equal(mended, planes)


def test_the_input_is_not_touched():
    """The planes that came in keep their gaps."""
    planes = _ramp()
    planes[2, 8, 8] = np.nan
    mend_gaps(planes)
    assert np.isnan(planes[2, 8, 8])
