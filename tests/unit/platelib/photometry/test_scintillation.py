import numpy as np
import pytest

from platelib.photometry.scintillation import Telescope, scintillation


def test_young_s_formula_by_hand():
    """10 cm, sea level, zenith, 60 s: 0.09 x 0.21544 / sqrt(120) = 1.770 mmag-like parts, x 1.5."""
    telescope = Telescope(0.1)
    found = scintillation(telescope, np.array([1.0]), np.array([60.0]))
    assert found[0] == pytest.approx(1.5 * 0.0017700, rel=1e-3)


def test_airmass_height_and_time_scale_as_stated():
    """Airmass to the 1.75, a scale height of 8 km, the root of the time; unknown airmass is 1."""
    low, high = Telescope(0.2, factor=1.0), Telescope(0.2, 8000.0, factor=1.0)
    base = scintillation(low, np.array([1.0, 2.0, np.nan, 1.0]), np.array([30.0, 30, 30, 120]))
    np.testing.assert_allclose(base / base[0], [1, 2**1.75, 1, 0.5], rtol=1e-12)
    above = scintillation(high, np.array([1.0]), np.array([30.0]))
    assert above[0] / base[0] == pytest.approx(np.exp(-1))


def test_a_telescope_has_a_diameter():
    """A diameter of 0 is refused."""
    with pytest.raises(ValueError, match="must be above 0 m, not 0"):
        scintillation(Telescope(0), np.ones(1), np.ones(1))
