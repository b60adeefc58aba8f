import numpy as np
from scipy.ndimage import correlate

from platelib.differences.star_image import StarImage, gaussian_image, separable_parts
from platelib.differences.statistic import filter_light, filter_rows, filters_of


def test_sums_are_those_of_a_library():
    """Signal and information are correlations with the image and its square, edges and all."""
    rng = np.random.default_rng(7)
    shape = (70, 90)
    values = rng.normal(0, 1, shape).astype(np.float32)
    weight = rng.uniform(0.5, 1, shape).astype(np.float32)
    weight[20:24, 30:35] = 0
    filters = filters_of(gaussian_image(3.0, shape), 3.0, shape)
    image = filters.image()
    signal, information = np.empty((2, *shape), dtype=np.float32)
    for first in (0, 40):
        filter_rows(values, weight, filters, (first, min(first + 40, 70)), (signal, information))
    np.testing.assert_allclose(
        signal, correlate(values * weight, image, mode="constant"), atol=1e-5
    )
    wanted = correlate(weight, image**2, mode="constant")
    np.testing.assert_allclose(information, wanted, rtol=1e-3, atol=1e-5)


def test_light_is_filtered_where_it_is_lit():
    """Lit blocks hold the signal of the whole, others nothing."""
    rng = np.random.default_rng(8)
    light, weight = rng.uniform(0, 1, (2, 70, 90)).astype(np.float32)
    filters = filters_of(gaussian_image(2.5, (70, 90)), 2.5, (70, 90))
    lit = np.zeros((5, 6), dtype=bool)
    lit[1, 2:4] = lit[4, 5] = True
    whole, unused = np.empty((2, 70, 90), dtype=np.float32)
    filter_rows(light, weight, filters, (0, 70), (whole, unused))
    found = filter_light(light, weight, filters, lit)
    inside = lit.repeat(16, axis=0).repeat(16, axis=1)[:70, :90]
    assert np.array_equal(found[inside], whole[inside])
    assert not found[~inside].any()


def test_filters_follow_the_field():
    """Tiles have the image of their middles; flux of a star is kept by the filter's own norm."""
    image = gaussian_image(3.0, (700, 600))
    wide = gaussian_image(4.0, (700, 600)).pixels[0]
    pad = (len(wide) - image.pixels.shape[-1]) // 2
    base = np.pad(image.pixels[0], pad)
    varying = StarImage(np.stack([base, 0.3 * (wide - base), 0 * base]), (700, 600), 20)
    filters = filters_of(varying, 3.0, (700, 600))
    assert filters.down.shape[:2] == (2, 2)
    assert not np.allclose(filters.down[0, 0], filters.down[0, 1])


def test_two_parts_hold_a_long_star_image():
    """Of an image of axes 2 to 1 at 45 degrees, two products miss 3 %, and nothing of its norm."""
    step = np.arange(-7, 8)
    x, y = step, step[:, None]
    image = np.exp(-((x + y) ** 2) / 16.0 - (x - y) ** 2 / 4.0)
    down, across = separable_parts(image)
    part = (down[:, :, None].astype(float) * across[:, None]).sum(axis=0)
    assert ((image - part) ** 2).sum() < 0.03 * (image**2).sum()
    assert abs((part * (image - part)).sum()) < 1e-5 * (image**2).sum()
