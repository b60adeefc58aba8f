import numpy as np
import pytest

from platelib.integration.local_weights import CELL, LocalWeights, constant_weights
from platelib.integration.rejection_growth import grow_averaged
from platelib.integration.rejection_rules import HIGH, KEPT
from platelib.integration.weighted_mean import average
from platelib.numerics.transform import normalisation

SHAPE = (280, 700)
READ_VARIANCE = 16.0


def _moonlit(slopes, level: float = 400.0) -> tuple[np.ndarray, list[list[float]]]:
    """Variances of subs with planes of sky, and the planes' coefficients; a rate is a count."""
    cx, _, scale = normalisation(SHAPE)
    u = (np.arange(SHAPE[1]) - cx) / scale
    skies = [[0.0, slope * level, 0.0] for slope in slopes]
    sky = np.stack([np.broadcast_to(level + s[1] * u, SHAPE) for s in skies])
    return (sky + READ_VARIANCE).astype(np.float32), skies


def _weights(slopes, level: float = 400.0) -> LocalWeights:
    variance, skies = _moonlit(slopes, level)
    n = len(slopes)
    noise = np.sqrt(level + READ_VARIANCE) * np.ones(n)
    return LocalWeights(1 / noise**2, noise, np.ones(n), skies, SHAPE)


@pytest.mark.parametrize("slopes", [[0.4, -0.4], [0.35, 0.35, -0.35, 0.0, -0.2], [0.5, 0.5, 0.1]])
def test_noise_is_the_least_possible(slopes):
    """With unlike gradients of moonlight the noise is within 0.2 % of the optimum, 1 % at worst."""
    variance, _ = _moonlit(slopes)
    table = _weights(slopes).of_tile((0, SHAPE[0]), (0, SHAPE[1]))
    flags = np.full(variance.shape, KEPT, dtype=np.uint8)
    found = average(np.zeros_like(variance), variance, table, flags).variance
    least = 1 / (1 / variance.astype(float)).sum(axis=0)
    assert np.sqrt(found.mean() / least.mean()) < 1.002
    assert np.sqrt(found / least).max() < 1.01
    plain = average(np.zeros_like(variance), variance, np.ones(len(slopes)), flags).variance
    assert np.sqrt(plain / least).max() > 1.02


def test_variance_is_honest():
    """Pixels of pure noise scatter by the variance of the mean, to 2 %, on both sides."""
    variance, _ = _moonlit([0.5, -0.5, 0.2])
    rng = np.random.default_rng(1)
    values = (rng.normal(0, 1, variance.shape) * np.sqrt(variance)).astype(np.float32)
    table = _weights([0.5, -0.5, 0.2]).of_tile((0, SHAPE[0]), (0, SHAPE[1]))
    found = average(values, variance, table, np.zeros(variance.shape, dtype=np.uint8))
    pull = found.mean / np.sqrt(found.variance)
    for side in (np.s_[:, :240], np.s_[:, 460:]):
        assert pull[side].std() == pytest.approx(1, abs=0.02)


def test_gradients_in_common_change_nothing():
    """Subs with the same gradient keep the weights that they have."""
    weights = _weights([0.3, 0.3, 0.3])
    assert weights.is_constant
    assert weights.of_tile((0, 9), (0, 9)).weights.shape == (1, 1, 3)


def test_unknown_gain_changes_nothing():
    """Where it is unknown how the noise follows the sky, the weights stay as they are."""
    _, skies = _moonlit([0.4, -0.4])
    weights = LocalWeights(np.ones(2), np.full(2, 20.0), np.zeros(2), skies, SHAPE)
    assert weights.is_constant


def test_weights_keep_within_bounds():
    """A model that runs below zero changes no weight by more than a factor of four."""
    table = _weights([5.0, -5.0]).of_tile((0, SHAPE[0]), (0, SHAPE[1])).weights * 416
    assert table.max() == pytest.approx(4)
    assert table.min() == pytest.approx(1 / 4)


@pytest.mark.parametrize("reach", [0, 2])
def test_tiles_equal_the_whole(reach):
    """Parts of the grid of any size have the same mean and variance, bit for bit."""
    rng = np.random.default_rng(2)
    variance, _ = _moonlit([0.5, -0.5, 0.2])
    values = rng.normal(100, 20, variance.shape).astype(np.float32)
    flags = np.where(rng.random(variance.shape) < 0.02, HIGH, KEPT).astype(np.uint8)
    weights = _weights([0.5, -0.5, 0.2])

    def made(rows, columns):
        part = (slice(None), slice(*rows), slice(*columns))
        table, marks = weights.of_tile(rows, columns), flags[part].copy()
        inner = (
            slice(reach, rows[1] - rows[0] - reach),
            slice(reach, columns[1] - columns[0] - reach),
        )
        cut = [np.ascontiguousarray(plane[part]) for plane in (values, variance)]
        found = average(*cut, table, marks, inner)
        grow_averaged(*cut, table, marks, min(reach, 1), (reach, reach), found)
        return found

    whole = made((0, SHAPE[0]), (0, SHAPE[1]))
    for rows in ((0, 63), (60, 70), (100, 200)):
        for columns in ((0, 64), (50, 201), (120, 127)):
            tile = made(rows, columns)
            there = (slice(rows[0], rows[1] - 2 * reach), slice(columns[0], columns[1] - 2 * reach))
            np.testing.assert_array_equal(tile.mean, whole.mean[there])
            np.testing.assert_array_equal(tile.variance, whole.variance[there])


def test_one_cell_is_plain_weights():
    """A table of one cell averages as the weights themselves, bit for bit."""
    rng = np.random.default_rng(3)
    values = rng.normal(100, 20, (5, 30, 300)).astype(np.float32)
    variance = rng.uniform(1, 2, values.shape).astype(np.float32)
    flags = np.zeros(values.shape, dtype=np.uint8)
    weights = rng.uniform(0.5, 1, 5)
    one = average(values, variance, weights, flags)
    other = average(values, variance, constant_weights(weights), flags)
    np.testing.assert_array_equal(one.mean, other.mean)
    assert CELL < 300
