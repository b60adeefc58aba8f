import numpy as np
import pytest

from platelib.calibration.stack_sums import CELL, Stack, typical_variances


@pytest.mark.parametrize("nx", [5, CELL, 2 * CELL - 1, 2 * CELL + 3])
def test_typical_variance_is_the_median_of_numpys(nx):
    """It is that of the pixels without gaps, cell by cell; 0 of a cell that has none."""
    rng = np.random.default_rng(nx)
    values = rng.normal(1000, 5, (7, 4, nx)).astype(np.float32)
    values[2, 1, ::4] = np.nan
    values[:, 2, ::3] *= 4
    cells = max(1, nx // CELL)
    if cells > 1:
        values[0, :, :CELL] = np.nan
    variances = values.var(axis=0, ddof=1, dtype=np.float64)
    edges = [*range(0, cells * CELL, CELL), nx]
    expected = [
        np.nanmedian(variances[:, a:b]) if np.isfinite(variances[:, a:b]).any() else 0.0
        for a, b in zip(edges, edges[1:], strict=False)
    ]
    no_offset, no_factors = np.zeros((0, 0), dtype=np.float32), np.zeros(0, dtype=np.float32)
    typical = typical_variances(Stack(values, np.float32(0), no_offset, no_factors))
    np.testing.assert_allclose(typical, expected, rtol=1e-5)
