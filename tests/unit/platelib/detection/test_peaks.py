import numpy as np
import pytest
from scipy.ndimage import correlate1d, maximum_filter

from platelib.detection.peaks import (
    EDGE,
    SHAPE_COLUMNS,
    Found,
    Limits,
    Slab,
    limit_lines,
    search_rows,
)
from platelib.detection.star_table import FLAG_MASKED, FLAG_SATURATED
from platelib.detection.windowed_moments import BOX, WINDOW, WORK, is_extended, star_shape
from platelib.numerics.mask_bits import BAD, SATURATED
from platelib.simulate.psf import add_stars, moffat_image

SHAPE = (230, 341)
TAPS = np.array([0.4, 0.2, 0.1], dtype=np.float32)
LIMITS = np.array([[308, 312], [310, 309], [311, 315]], dtype=np.float32)


@pytest.fixture(scope="module")
def image() -> np.ndarray:
    """Stars on a noisy sky of 300."""
    rng = np.random.default_rng(94)
    light = np.full(SHAPE, 300, dtype=np.float32)
    x, y = rng.uniform(0, SHAPE[1], 90), rng.uniform(0, SHAPE[0], 90)
    add_stars(light, x, y, 5e3, moffat_image(2.8, 3.3))
    return rng.poisson(light).astype(np.float32)


def _search(image, seam, rows=(0, SHAPE[0]), mask=None, room=5000, side=9, top=0, count=0):
    """Search an image that is handed over in two parts; the rows above ``top`` are missing."""
    mask = np.zeros(SHAPE, dtype=np.uint8) if mask is None else mask
    # A noise of zero lets every maximum pass that is spread over its neighbours.
    sky = np.full((3, 2), 200, dtype=np.float32), np.zeros((3, 2), dtype=np.float32)
    found = Found(
        np.empty((room, SHAPE_COLUMNS)),
        np.empty((room, 2), dtype=np.int32),
        np.full((room, side, side), np.nan, dtype=np.float32),
    )
    images, masks = ((a[top:seam].copy(), a[seam:].copy()) for a in (image, mask))
    limits = Limits(*sky, *limit_lines(LIMITS, SHAPE[1]))
    count, row = search_rows(Slab(images, masks, top), rows, SHAPE, limits, TAPS, found, count)
    return count, row, *found


def _limit() -> np.ndarray:
    """Limits of all pixels, by numpy."""
    v = np.clip((np.arange(SHAPE[0]) + 0.5) * 3 / SHAPE[0] - 0.5, 0, 2)
    u = np.clip((np.arange(SHAPE[1]) + 0.5) * 2 / SHAPE[1] - 0.5, 0, 1)
    rows = np.stack([np.interp(u, [0, 1], row) for row in LIMITS.astype(np.float64)])
    return np.stack([np.interp(v, [0, 1, 2], column) for column in rows.T], axis=1)


def _slow_search(image) -> np.ndarray:
    """Shapes of all stars, peak by peak, from the maxima that scipy.ndimage finds."""
    kernel = np.array([0.1, 0.2, 0.4, 0.2, 0.1])
    smooth = correlate1d(correlate1d(image.astype(np.float64), kernel, axis=0), kernel, axis=1)
    peaks = (smooth == maximum_filter(smooth, 3)) & (smooth > _limit())
    peaks[:EDGE], peaks[-EDGE:], peaks[:, :EDGE], peaks[:, -EDGE:] = (False,) * 4
    shapes = []
    for y, x in np.argwhere(peaks):
        if is_extended(image[y - 1], image[y], image[y + 1], x, 200.0, 0.0):
            place = np.s_[y - WINDOW : y - WINDOW + BOX[0], x - WINDOW : x - WINDOW + BOX[1]]
            dx, dy, fwhm, ellipticity, angle, light, ok = star_shape(
                image[place] - 200.0, np.empty(WORK)
            )
            if ok:
                shapes.append((x + dx, y + dy, fwhm, ellipticity, 0, angle, light))
    return np.array(shapes)


def test_stars_are_those_of_the_slow_search(image):
    """What is found is what a search peak by peak finds, in its order."""
    count, row, shapes, _, _ = _search(image, 100)
    assert row == SHAPE[0]
    assert count > 60
    np.testing.assert_allclose(shapes[:count], _slow_search(image), rtol=1e-9, atol=1e-9)


def test_lines_are_bilinear_with_their_least_values_nearby():
    """The lines of a mesh are what numpy interpolates; the floors the least within two columns."""
    lines, floors = limit_lines(LIMITS, SHAPE[1])
    u = np.clip((np.arange(SHAPE[1]) + 0.5) * 2 / SHAPE[1] - 0.5, 0, 1)
    for line, floor, row in zip(lines, floors, LIMITS, strict=True):
        np.testing.assert_allclose(line, np.interp(u, [0, 1], row), rtol=1e-6)
        padded = np.pad(line, 2, constant_values=np.inf)
        least = np.lib.stride_tricks.sliding_window_view(padded, 5).min(axis=1)
        np.testing.assert_array_equal(floor, least)


@pytest.mark.parametrize("seam", [0, 17, 100, 101, 222])
def test_the_seam_does_not_show(image, seam):
    """Rows in two arrays give what they give in one."""
    count, _, *one = _search(image, SHAPE[0])
    other_count, _, *other = _search(image, seam)
    assert other_count == count
    for a, b in zip(one, other, strict=True):
        np.testing.assert_array_equal(a[:count], b[:count])


def test_parts_of_the_rows_add_up(image):
    """Rows that are searched one part after the other give the same as all at once."""
    count, _, shapes, centres, squares = _search(image, SHAPE[0])
    parts = [_search(image, 90, (0, 77)), _search(image, 90, (77, SHAPE[0]), top=60)]
    assert sum(part[0] for part in parts) == count
    for whole, column in ((shapes, 2), (centres, 3), (squares, 4)):
        found = np.concatenate([part[column][: part[0]] for part in parts])
        np.testing.assert_array_equal(found, whole[:count])


def test_full_arrays_stop_the_search_before_a_row(image):
    """When there may be no room for a row's stars, the search says where to go on."""
    count, _, shapes, _, _ = _search(image, SHAPE[0])
    room = SHAPE[1] // 2 + 20
    first, row, some, _, _ = _search(image, SHAPE[0], room=room)
    assert room - SHAPE[1] // 2 < first < count
    assert EDGE < row < SHAPE[0]
    rest, end, more, _, _ = _search(image, SHAPE[0], (row, SHAPE[0]), count=3)
    assert end == SHAPE[0]
    together = np.concatenate([some[:first], more[3:rest]])
    np.testing.assert_array_equal(together, shapes[:count])


def test_squares_are_the_pixels_around(image):
    """A square holds the pixels about the one that the star is in; the rest stays as it was."""
    count, _, shapes, centres, squares = _search(image, 120, side=31)
    np.testing.assert_array_equal(centres[:count], np.rint(shapes[:count, 1::-1]))
    around = np.pad(image, 15, constant_values=np.nan)
    for (y, x), square in zip(centres[:count], squares[:count], strict=True):
        np.testing.assert_array_equal(square, around[y : y + 31, x : x + 31])


def test_flags_are_those_of_the_pixels_near_the_peak(image):
    """A saturated or bad pixel within two pixels of the peak is a flag, one at three is none."""
    count, _, shapes, _, _ = _search(image, 0)
    mask = np.zeros(SHAPE, dtype=np.uint8)
    x, y = np.rint(shapes[:count, :2]).astype(int).T
    alone = [k for k in range(count) if np.sort(np.hypot(x - x[k], y - y[k]))[1] > 12][:3]
    for star, (dx, flag) in zip(alone, ((1, SATURATED), (-1, BAD), (4, BAD)), strict=True):
        mask[y[star] - 1, x[star] + dx] = flag
    flags = _search(image, 0, mask=mask)[2][:count, 4]
    assert flags[alone].tolist() == [FLAG_SATURATED, FLAG_MASKED, 0]
