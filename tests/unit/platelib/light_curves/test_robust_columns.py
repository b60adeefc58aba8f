import numpy as np
import pytest
from astropy.stats import mad_std

from platelib.light_curves.robust_columns import biweights, column_medians, column_scatter


@pytest.mark.parametrize("rows", [1, 2, 7, 30])
def test_medians_are_numpys(rows):
    """Medians of columns with gaps equal `numpy.nanmedian`; a column of NaN alone gives NaN."""
    rng = np.random.default_rng(rows)
    values = rng.normal(0, 1, (rows, 50))
    values[rng.random(values.shape) < 0.3] = np.nan
    values[0], values[:, 7] = 0.5, np.nan
    found = column_medians(values)
    assert np.isnan(found[7])
    rest = np.delete(np.arange(50), 7)
    np.testing.assert_allclose(found[rest], np.nanmedian(values[:, rest], axis=0), rtol=1e-12)


def test_scatter_is_that_of_astropy_times_the_correction_of_small_samples():
    """``mad_std n / (n - 0.8)``; unbiased within 2 % for 10 values."""
    values = np.random.default_rng(1).normal(0, 2.0, (10, 4000))
    found = column_scatter(values)
    np.testing.assert_allclose(found, mad_std(values, axis=0) * 10 / 9.2, rtol=1e-9)
    assert found.mean() == pytest.approx(2.0, rel=0.02)


def test_biweights_vanish_beyond_the_cut_and_for_gaps():
    """1 in the middle, 9/16 at half of the cut, 0 beyond it and for NaN."""
    found = biweights(np.array([0.0, 2.5, -5.1, np.nan]), 5.0)
    np.testing.assert_allclose(found, [1.0, 0.5625, 0.0, 0.0])
