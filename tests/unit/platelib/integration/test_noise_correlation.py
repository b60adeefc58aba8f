from dataclasses import replace

import numpy as np
import pytest
from unit.platelib.resampling.noise_of_sums import correlation_factor

from platelib.integration.noise_correlation import noise_correlation
from platelib.numerics.transform import Transform, identity, normalisation
from platelib.resampling.resample import Cutout, resample

SHAPE = (520, 660)
BLOCK = 20


def _moved(dx: float, dy: float, angle_deg: float = 0.0, scale: float = 1.0) -> Transform:
    """A similarity about the centre of the grid."""
    cx, cy, half = normalisation(SHAPE)
    cos, sin = (half * scale * f(np.radians(angle_deg)) for f in (np.cos, np.sin))
    return Transform(1, cx, cy, half, np.array([cx + dx, cos, -sin]), np.array([cy + dy, sin, cos]))


def _simulated(transforms, weights, noise) -> float:
    """Noise of sums over blocks of resampled and averaged noise, over that from its variances."""
    rng = np.random.default_rng(3)
    whole, ny, nx = (800, 900), *SHAPE
    mask = np.zeros(whole, dtype=np.uint8)
    total, variance = np.zeros(SHAPE), np.zeros(SHAPE)
    for transform, weight, sigma in zip(transforms, weights, noise, strict=True):
        image = rng.normal(0, sigma, whole).astype(np.float32)
        source = Cutout(image, np.full(whole, sigma**2, np.float32), mask, 0, 0, whole)
        inside = replace(transform, x=transform.x + [120, 0, 0], y=transform.y + [140, 0, 0])
        values, variances = resample(source, inside, (0, ny), (0, nx))
        total += weight * values
        variance += weight**2 * variances
    known = np.isfinite(total[BLOCK:-BLOCK, BLOCK:-BLOCK])
    assert known.all()
    blocks = (ny // BLOCK - 2, BLOCK, nx // BLOCK - 2, BLOCK)
    sums, expected = (
        plane[BLOCK:-BLOCK, BLOCK:-BLOCK].reshape(blocks).sum(axis=(1, 3))
        for plane in (total, variance)
    )
    return float(np.sqrt((sums**2).mean() / expected.mean()))


def test_whole_pixels_do_not_correlate():
    """Subs that are laid on the grid by whole pixels leave noise as it is."""
    straight = identity(SHAPE)
    moved = replace(straight, x=straight.x + [3, 0, 0], y=straight.y - [7, 0, 0])
    found = noise_correlation([straight, moved], [1.0, 0.5], [2.0, 3.0], SHAPE)
    assert found == pytest.approx(1.0, abs=1e-9)


@pytest.mark.parametrize(
    "transforms",
    [
        [_moved(0.5, 0.5)],
        [_moved(0.2, -0.3), _moved(0, 0), _moved(3.5, 0.1)],
        [_moved(0.3, 0.2, 0.4), _moved(-2.3, 1.2, 12.0)],
        [_moved(0.3, 0.2, 1.0, 0.7), _moved(0.1, 0.6, 0.5, 1.2)],
    ],
)
def test_sums_of_noise_scatter_as_foretold(transforms):
    """Sums over 20 x 20 pixels scatter by VAR and this factor, to 5 %, as pure noise shows."""
    weights, noise = [1.0, 0.6, 0.8][: len(transforms)], [1.0, 1.4, 1.2][: len(transforms)]
    expected = noise_correlation(transforms, weights, noise, SHAPE)
    assert expected > 1.02
    # 700 blocks: their scatter is known to 3 %; the rims of blocks lose 1 % more.
    assert _simulated(transforms, weights, noise) == pytest.approx(expected, rel=0.05)


def test_turned_subs_have_all_phases():
    """A turned sub has the factor of phases that are all equally frequent."""
    turned = noise_correlation([_moved(0.1, 0.2, 3.0)], [1.0], [1.0], SHAPE)
    assert turned == pytest.approx(correlation_factor(), rel=5e-3)


def test_heavier_subs_count_more():
    """A sub without weight or noise has no part in the factor."""
    half, whole = _moved(0.5, 0.5), identity(SHAPE)
    alone = noise_correlation([half, whole], [0.0, 1.0], [1.0, 1.0], SHAPE)
    assert alone == pytest.approx(1.0, abs=1e-9)
    both = noise_correlation([half, whole], [1.0, 1.0], [1.0, 1.0], SHAPE)
    assert 1.0 < both < noise_correlation([half], [1.0], [1.0], SHAPE)
