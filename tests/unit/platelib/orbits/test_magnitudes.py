import numpy as np
import pytest

from platelib.orbits.magnitudes import asteroid_magnitude, comet_magnitude


def test_absolute_magnitude_is_that_at_1_au_and_no_phase():
    """At 1 au from Sun and observer and phase 0, V is H; twice both distances cost 3.01 mag."""
    assert asteroid_magnitude(12.0, 0.15, 1.0, 1.0, 0.0) == pytest.approx(12.0)
    assert asteroid_magnitude(12.0, 0.15, 2.0, 2.0, 0.0) == pytest.approx(15.010, abs=1e-3)


def test_phase_law_follows_the_short_form():
    """From 5 to 100 degrees, the law is within 0.05 mag of its short form (from memory)."""
    phase = np.linspace(5, 100, 40)
    half = np.tan(np.deg2rad(phase / 2))
    first, second = np.exp(-3.33 * half**0.63), np.exp(-1.87 * half**1.22)
    for g in (0.0, 0.15, 0.4):
        short = -2.5 * np.log10((1 - g) * first + g * second)
        np.testing.assert_allclose(asteroid_magnitude(0.0, g, 1.0, 1.0, phase), short, atol=0.05)


def test_unknown_slopes_have_their_conventions():
    """A missing slope counts as 0.15 for minor planets and as 4 for comets."""
    assert asteroid_magnitude(9, np.nan, 2, 1, 10) == asteroid_magnitude(9, 0.15, 2, 1, 10)
    assert comet_magnitude(9, np.nan, 2, 1) == pytest.approx(9 + 10 * np.log10(2))
