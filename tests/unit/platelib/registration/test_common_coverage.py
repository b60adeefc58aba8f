import numpy as np
import pytest

from platelib.numerics.transform import Transform, normalisation
from platelib.registration.common_coverage import Footprint, clear_rectangle, common_part


def shifted(shape, x, y, turn_deg=0.0):
    """Return a transform that turns about the centre of the grid and shifts, in raw pixels."""
    cx, cy, half = normalisation(shape)
    cosine, sine = (half * f(np.radians(turn_deg)) for f in (np.cos, np.sin))
    return Transform(
        1, cx, cy, half, np.array([cx + x, cosine, -sine]), np.array([cy + y, sine, cosine])
    )


def _counts(footprints, shape):
    """Count the exposure of every pixel, one by one."""
    y, x = np.indices(shape)
    total = np.zeros(shape)
    for one in footprints:
        raw_x, raw_y = (part.reshape(shape) for part in one.transform(x.ravel(), y.ravel()))
        ny, nx = one.shape
        inside = (raw_x >= -0.05) & (raw_x <= nx - 0.95) & (raw_y >= -0.05) & (raw_y <= ny - 0.95)
        total += inside * one.exposure_s
    return total


@pytest.mark.parametrize("shape", [(90, 130), (700, 1104)])
def test_every_pixel_of_the_part_is_covered_by_half_of_the_exposure(shape):
    """Of dithered, flipped and slightly turned subs; and a pixel or a cell more is not."""
    rng = np.random.default_rng(5)
    footprints = [
        Footprint(shifted(shape, *rng.normal(0, 9, 2), turn), shape, exposure)
        for turn, exposure in [(0.0, 60.0)] * 8 + [(180.0, 60.0)] * 5 + [(0.4, 300.0)] * 2
    ]
    rows, columns = common_part(footprints, shape)
    total, least = _counts(footprints, shape), 0.5 * sum(one.exposure_s for one in footprints)
    assert (total[rows, columns] >= least).all()
    exact = clear_rectangle(total < least)
    step = max(1, max(shape) // 500)
    for found, best in zip((rows, columns), exact, strict=True):
        assert 0 <= found.start - best.start < 2 * step
        assert 0 <= best.stop - found.stop < 2 * step


def test_the_order_of_subs_does_not_matter():
    """The part is a matter of the set of subs."""
    shape = (90, 130)
    rng = np.random.default_rng(6)
    footprints = [Footprint(shifted(shape, *rng.normal(0, 9, 2)), shape, 60.0) for _ in range(9)]
    assert common_part(footprints, shape) == common_part(footprints[::-1], shape)


def test_without_subs_or_common_area_there_is_no_part():
    """No sub, or subs of which no half covers any pixel, give none."""
    shape = (40, 60)
    assert common_part([], shape) is None
    apart = [Footprint(shifted(shape, x, 0.0), shape, 60.0) for x in (-50.0, 50.0, 200.0)]
    assert common_part(apart, shape) is None
