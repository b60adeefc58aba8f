"""Concentrations of stamps against one that is measured pixel by pixel."""

import numpy as np
import pytest
from scipy.ndimage import map_coordinates

from platelib.simulate.psf import add_stars, moffat_image
from platelib.sources.morphology import NARROW, WIDE, concentrations

NX, NY = 130, 90
HALF_LIGHT = 1.9


@pytest.fixture(scope="module")
def drawn():
    """Stars in noise, some at the edge, some beside each other; and where they are."""
    rng = np.random.default_rng(3)
    x, y = rng.uniform(0, NX - 1, 1100), rng.uniform(0, NY - 1, 1100)
    x[:3], y[:3] = (0.0, NX - 1.0, 60.0), (0.0, NY - 1.0, 40.0)
    image = rng.standard_normal((NY, NX)).astype(np.float32)
    add_stars(
        image, x[:60], y[:60], 10 ** rng.uniform(2, 4, 60), moffat_image(2.9, 3.0, radius_px=20)
    )
    return image, rng.uniform(0.8, 1.2, (NY, NX)).astype(np.float32), x, y


def slow(image, noise, x, y):
    """Concentration of one source, its other side by a library's interpolation."""
    reach = int(np.ceil(3.0 * WIDE * HALF_LIGHT)) + 1
    rows = np.clip(int(np.rint(y)) - reach + np.arange(2 * reach + 1), 0, NY - 1)
    columns = np.clip(int(np.rint(x)) - reach + np.arange(2 * reach + 1), 0, NX - 1)
    stamp, sigma = (plane[np.ix_(rows, columns)].astype(float) for plane in (image, noise))
    px, py = x - int(np.rint(x)) + reach, y - int(np.rint(y)) + reach
    gy, gx = np.mgrid[: 2 * reach + 1, : 2 * reach + 1]
    other = map_coordinates(stamp, [2 * py - gy, 2 * px - gx], order=1, mode="nearest")
    stamp = np.where(stamp > other + 2.5 * np.hypot(sigma, 0.03 * np.abs(other)), other, stamp)
    squared = (gx - px) ** 2 + (gy - py) ** 2
    narrow, wide = (np.exp(-0.5 * squared / (w * HALF_LIGHT) ** 2) for w in (NARROW, WIDE))
    inside, whole = (stamp * narrow).sum(), (stamp * wide).sum()
    if not (inside > 0 and whole > 0):
        return np.nan, np.nan
    error = np.sqrt(((sigma * (wide / whole - narrow / inside)) ** 2).sum())
    return 2.5 * np.log10(whole / inside), 2.5 / np.log(10) * 1.3 * error


def test_many_sources_are_measured_like_one(drawn):
    """Stamps of all sources give what each gives alone, at the edge of the image, too."""
    found = concentrations(*drawn, HALF_LIGHT, 1.3)
    expected = np.array([slow(*drawn[:2], *place) for place in zip(*drawn[2:], strict=True)])
    assert 20 < np.isnan(expected[:, 0]).sum() < 1000
    np.testing.assert_allclose(found.value, expected[:, 0], rtol=0, atol=1e-9)
    np.testing.assert_allclose(found.error, expected[:, 1], rtol=1e-9)
