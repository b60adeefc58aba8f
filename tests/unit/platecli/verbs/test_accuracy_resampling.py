import sys

import numpy as np
import pytest

from platecli.verbs.bench import BENCH

sys.path.insert(0, str(BENCH))

from accuracy_resampling import FLUX_LIMIT, NOTCH_LIMIT, draw, measure  # noqa: E402


@pytest.mark.parametrize(("profile", "fwhm"), [("gaussian", 1.2), ("moffat", 1.5), ("pixel", 1.0)])
def test_undersampled_light_keeps_its_flux(profile, fwhm):
    """Each class of sharp stars keeps its flux to 0.05 % and its core to 1.5 %; nothing is dark."""
    found = measure(profile, fwhm, subs=6)
    if profile != "pixel":
        assert found.flux == pytest.approx(1, abs=min(FLUX_LIMIT / 100, 5e-4))
        assert found.core == pytest.approx(1, abs=0.015)
    assert found.notch < 2 * NOTCH_LIMIT


@pytest.mark.parametrize("profile", ["gaussian", "moffat"])
def test_stars_are_drawn_as_their_formula(profile):
    """A star has unit flux, its centroid in place, and half its peak at half its FWHM."""
    stamps = draw(profile, 4.0, np.array([0.0, 0.3]), np.array([0.0, -0.2]))
    assert stamps.sum(axis=(1, 2)) == pytest.approx(1, abs=0.02)
    reach = np.arange(stamps.shape[1]) - stamps.shape[1] // 2
    x, y = (stamps[1].sum(axis=axis) @ reach / stamps[1].sum() for axis in (0, 1))
    # Wings of a Moffat star are cut off unevenly at the rim.
    assert (x, y) == pytest.approx((0.3, -0.2), abs=0.02 if profile == "gaussian" else 0.08)
    middle = stamps[0, stamps.shape[1] // 2]
    centre = len(middle) // 2
    assert middle[centre + 2] / middle[centre] == pytest.approx(0.5, abs=0.03)
