import numpy as np
import pytest
from scipy.ndimage import gaussian_filter

from platelib.picture.reproject_crop import covered_part, fitted, linear_part, sample, scaled


def _stars(shape, places, sigma=1.5, flux=1000.0):
    y, x = np.indices(shape)
    image = np.zeros(shape)
    for px, py in places:
        image += np.exp(-((x - px) ** 2 + (y - py) ** 2) / (2 * sigma**2))
    return (image * flux / (2 * np.pi * sigma**2)).astype(np.float32)


def _centre(image, x, y):
    column, row = round(x), round(y)
    cut = image[row - 7 : row + 8, column - 7 : column + 8].astype(float)
    dy, dx = np.mgrid[row - 7 : row + 8, column - 7 : column + 8]
    return (cut * dx).sum() / cut.sum(), (cut * dy).sum() / cut.sum(), cut.sum()


PLACES = ((40.3, 30.8), (110.0, 62.5), (75.6, 20.2))


@pytest.mark.parametrize("scale", [0.5, 0.4, 1.0, 1.7])
def test_stars_keep_place_and_light_at_another_scale(scale):
    """Stars lie where the linear part says, to 0.02 px, and their light grows with the area."""
    planes = _stars((90, 150), PLACES, sigma=1.6)[None]
    sampling = scaled((90, 150), scale)
    small = sample(planes, sampling)[0]
    assert small.shape == (round(90 * scale), round(150 * scale))
    matrix, shift = linear_part(sampling)
    for place in PLACES:
        x, y = matrix @ np.array(place) + shift
        found = _centre(np.nan_to_num(small), x, y)
        assert found[:2] == (pytest.approx(x, abs=0.02), pytest.approx(y, abs=0.02))
        assert found[2] == pytest.approx(1000 * scale**2, rel=0.02)


def test_half_the_scale_is_the_mean_of_four_pixels():
    """At one half, where samples fall on pixels, a pixel is exactly the mean of its four."""
    planes = np.random.default_rng(1).normal(0, 1, (1, 60, 80)).astype(np.float32)
    small = sample(planes, scaled((60, 80), 0.5))[0]
    expected = planes[0].reshape(30, 2, 40, 2).mean(axis=(1, 3))
    np.testing.assert_allclose(small, expected, atol=1e-6)


@pytest.mark.parametrize("angle_deg", [0.0, 7.0, 45.0, 90.0, 133.0, 180.0, -78.0])
@pytest.mark.parametrize("mirrored", [False, True])
def test_turned_planes_hold_the_same_stars(angle_deg, mirrored):
    """At any angle, mirrored or not, stars lie within 0.02 px of their places with their light."""
    turn = np.radians(angle_deg)
    matrix = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
    if mirrored:
        matrix[:, 0] *= -1
    middle, shape = np.array([74.5, 44.5]), (180, 190)
    centre = np.array([94.5, 89.5])

    def places(x, y):
        moved = matrix @ np.stack([x - centre[0], y - centre[1]])
        return moved[0] + middle[0], moved[1] + middle[1]

    planes = _stars((90, 150), PLACES)[None]
    sampling = fitted(shape, 1.0, places, 3)
    turned = sample(planes, sampling)[0]
    for place in PLACES:
        x, y = matrix.T @ (np.array(place) - middle) + centre
        there = linear_part(sampling)
        np.testing.assert_allclose(there[0] @ np.array(place) + there[1], (x, y), atol=1e-6)
        found = _centre(np.nan_to_num(turned), x, y)
        assert found[:2] == (pytest.approx(x, abs=0.02), pytest.approx(y, abs=0.02))
        assert found[2] == pytest.approx(1000, rel=0.01)


def test_gaps_do_not_spread():
    """A pixel without data takes its nearest samples with it and no more; beyond is nothing."""
    planes = gaussian_filter(np.random.default_rng(2).normal(0, 1, (1, 60, 80)), (0, 2, 2))
    planes = planes.astype(np.float32)
    whole = sample(planes, scaled((60, 80), 1.5))
    planes[0, 30, 40] = np.nan
    holed = sample(planes, scaled((60, 80), 1.5))
    missing = ~np.isfinite(holed[0])
    assert not np.isfinite(whole[0, [0, -1]]).any()
    missing[[0, -1]] = missing[:, [0, -1]] = False
    assert 4 <= missing.sum() <= 16
    rows, columns = np.nonzero(missing)
    assert rows.min() >= 43
    assert columns.max() <= 63
    far = np.ones(missing.shape, bool)
    # What is sampled from near the gap, and what may be limited beside that.
    far[35:57, 45:77] = False
    np.testing.assert_array_equal(holed[0][far], whole[0][far])


def test_sampling_twice_gives_the_same_bits():
    """Two samplings agree, and the plane is left alone."""
    planes = _stars((90, 150), PLACES)[None]
    before = planes.copy()
    np.testing.assert_array_equal(
        sample(planes, scaled((90, 150), 0.7)), sample(planes, scaled((90, 150), 0.7))
    )
    np.testing.assert_array_equal(planes, before)


def _covered_by_all(planes):
    return covered_part(~np.isfinite(planes).all(axis=0))


def test_the_common_part_cuts_rims_and_keeps_holes():
    """Rows that one plane lacks are cut off; a hole inside stays, as does a whole picture."""
    planes = np.ones((3, 60, 80), np.float32)
    assert _covered_by_all(planes) == (slice(0, 60), slice(0, 80))
    planes[0, 0] = planes[1, :, 77:] = np.nan
    planes[2, 58:, :30] = np.nan
    planes[2, 30:35, 40:45] = np.nan
    assert _covered_by_all(planes) == (slice(1, 58), slice(0, 77))


def test_a_common_part_of_a_turned_frame_is_large():
    """Of a frame turned by 20 degrees nearly the largest upright rectangle is kept."""
    y, x = np.indices((400, 500))
    turn = np.radians(20.0)
    u = (x - 249.5) * np.cos(turn) + (y - 199.5) * np.sin(turn)
    v = -(x - 249.5) * np.sin(turn) + (y - 199.5) * np.cos(turn)
    covered = (np.abs(u) < 180) & (np.abs(v) < 130)
    planes = np.where(covered, 1.0, np.nan).astype(np.float32)[None]
    rows, columns = _covered_by_all(planes)
    assert np.isfinite(planes[0, rows, columns]).all()
    area = (rows.stop - rows.start) * (columns.stop - columns.start)
    # The largest upright rectangle in a turned one touches all four sides (elementary geometry):
    # with sides a > b, its width is (a cos - b sin) / cos(2 turn).
    sine, cosine = np.sin(turn), np.cos(turn)
    best = (360 * cosine - 260 * sine) * (260 * cosine - 360 * sine) / np.cos(2 * turn) ** 2
    assert 0.9 * best < area < 1.02 * best


def test_a_picture_without_common_part_stays_whole():
    """Where no pixel is covered, nothing is cut."""
    assert _covered_by_all(np.full((1, 5, 7), np.nan)) == (slice(0, 5), slice(0, 7))
