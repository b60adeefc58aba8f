import numpy as np
import pytest

from platelib.integration.local_weights import CELL
from platelib.integration.rejection import Rejection
from platelib.night_merge.merge import merge
from platelib.night_merge.offsets import measure

DEPTHS = (40, 25, 40, 10, 30)


def _measure(samples):
    planes = samples[:3]
    n, *shape = samples.values.shape
    return measure(n, tuple(shape), lambda i, rows: tuple(plane[i, rows] for plane in planes))


def test_equal_nights_have_no_floors(stacked):
    """Scatter is 1 to a few percent and offsets a fraction of the noise if only noise differs."""
    samples, _, noise, _ = stacked(DEPTHS, (300, 400))
    found = _measure(samples)
    assert found.scatter.shape == found.offset.shape == (3, 4, 5)
    assert found.scatter.max() < 1.35
    assert found.scatter.mean() < 1.08
    assert np.abs(found.offset / noise).max() < 0.5
    assert np.abs(found.offset / noise).mean() < 0.12


def test_offsets_and_scatter_are_found(stacked):
    """An offset of 3 sigma in a corner and noise 1.6 times the expected one are measured."""
    samples, _, noise, _ = stacked(DEPTHS, (CELL * 2, CELL * 3))
    samples.values[1, :CELL, CELL:] += 3 * noise[1]
    samples.variances[2] /= 1.6**2
    found = _measure(samples)
    assert found.offset[0, 1:, 1] / noise[1] == pytest.approx(3.0, abs=0.4)
    assert found.offset[1, :, 1] / noise[1] == pytest.approx(0.0, abs=0.4)
    assert found.scatter[..., 2].mean() == pytest.approx(1.6, rel=0.1)


def test_two_nights_share_their_difference(stacked):
    """Of two samples each lies half the difference off; noise alone is no scatter."""
    samples, _, noise, _ = stacked((40, 10), (CELL * 2, CELL * 3))
    assert _measure(samples).scatter.max() < 1.25
    samples.values[0] += 4 * noise[1]
    found = _measure(samples)
    np.testing.assert_allclose(found.offset[..., 0] / noise[1], 2.0, atol=0.4)
    np.testing.assert_allclose(found.offset[..., 0], -found.offset[..., 1], rtol=1e-5)


def test_stars_are_no_offset(stacked):
    """Stars on a third of the pixels that differ by 20 % between nights leave no offset."""
    samples, _, noise, _ = stacked(DEPTHS, (CELL, CELL))
    rng = np.random.default_rng(1)
    light = np.where(rng.random((CELL, CELL)) < 0.33, 200.0, 0.0).astype(np.float32)
    samples.values[...] += light * np.linspace(0.9, 1.1, 5, dtype=np.float32)[:, None, None]
    found = _measure(samples)
    assert np.abs(found.offset / noise).max() < 0.4
    assert found.scatter.max() < 1.25


def test_samples_that_are_not_read_have_none(stacked):
    """A sample that is not given has scatter 1 and offset 0, and the others are as without it."""
    samples, _, _, _ = stacked(DEPTHS, (CELL, CELL))
    planes, chosen = samples[:3], [0, 1, 3, 4]
    found = measure(
        5, (CELL, CELL), lambda i, rows: None if i == 2 else tuple(p[i, rows] for p in planes)
    )
    fewer = _measure(type(samples)(*(plane[chosen] for plane in samples)))
    np.testing.assert_array_equal(found.offset[..., 2], 0)
    np.testing.assert_array_equal(found.scatter[..., 2], 1)
    np.testing.assert_array_equal(found.offset[..., chosen], fewer.offset)


def test_cells_without_data_take_the_nearest(stacked):
    """A cell that a night does not cover has the values of the next one; one night has none."""
    samples, _, noise, _ = stacked(DEPTHS, (CELL, CELL * 3))
    samples.values[1] += 5 * noise[1]
    samples.values[1, :, : CELL + 9] = np.nan
    found = _measure(samples)
    np.testing.assert_array_equal(found.offset[0, 0, 1], found.offset[0, 1, 1])
    assert found.offset[0, 0, 1] / noise[1] == pytest.approx(5.0, abs=0.5)
    samples.values[1:] = np.nan
    alone = _measure(samples)
    assert (alone.scatter == 1).all()
    assert (alone.offset == 0).all()


def test_offset_nights_are_not_rejected_in_patches(stacked):
    """A night with an error of its flat of 8 sigma stays, and artefacts in others still go."""
    samples, flags, noise, full = stacked(DEPTHS, (CELL, CELL * 2))
    samples.values[0, :, :CELL] += 8 * noise[0]
    samples.values[2, 60, 60] += 12 * noise[2]
    table = _measure(samples).of_tile((0, CELL), (0, CELL * 2))
    unaware = flags.copy()
    merge(samples, unaware, noise, full, 100.0, Rejection())
    merge(samples, flags, noise, full, 100.0, Rejection(), floors=table)
    assert (unaware[0, 8:, :CELL] > 1).mean() > 0.5
    assert (flags[0, 8:, :CELL] > 1).mean() < 0.001
    assert flags[2, 60, 60] == 3


def test_table_of_a_tile_has_its_cells(stacked):
    """A tile gets the cells that it lies in and its place in the first."""
    samples, _, _, _ = stacked(DEPTHS, (300, 400))
    found = _measure(samples)
    table = found.of_tile((130, 256), (100, 300))
    assert table.offset.shape == (1, 3, 5)
    assert (table.first_row, table.first_column, table.cell) == (2, 100, CELL)
    np.testing.assert_array_equal(table.offset, found.offset[1:2, :3])
