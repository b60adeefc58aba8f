"""The CCD equation against the worked example of a handbook and against photons."""

import math

import numpy as np
import pytest

from platelib.depth.ccd_equation import (
    Exposure,
    electrons_at,
    shortest_exposure_s,
    signal_to_noise,
)

GAIN = 5.0
HANDBOOK = Exposure(sky_e=620 * GAIN, dark_e=22 * 300 / 3600, read_noise_e=5.0)
# Howell, Handbook of CCD Astronomy, section 4.4, worked example: 24,013 ADU from the star, 620 ADU
# of sky a pixel, 5 electrons an ADU, read noise 5 electrons, dark current 22 electrons an hour and
# pixel, 300 s, one pixel: S/N 342. All values from memory.
STAR_E = 24_013 * GAIN


def test_worked_example_of_the_handbook():
    """S/N is 342."""
    assert round(signal_to_noise(STAR_E, 1, HANDBOOK)) == 342


def test_bright_star_is_limited_by_its_own_photons():
    """Without sky and read noise S/N is the square root of the electrons (Poisson)."""
    assert signal_to_noise(1e6, 30, Exposure(0, 0, 0)) == pytest.approx(1000)


def test_sky_of_few_pixels_adds_noise():
    """A sky from as many pixels as the aperture has doubles the variance that it brings."""
    snr = signal_to_noise(100, 50, HANDBOOK, sky_pixels=50)
    assert snr == pytest.approx(100 / math.sqrt(100 + 2 * 50 * HANDBOOK.variance))


@pytest.mark.parametrize("snr", [3, 5, 342])
def test_solved_for_the_star(snr):
    """The star found for an S/N has that S/N."""
    star = electrons_at(snr, 28, HANDBOOK, 200)
    assert signal_to_noise(star, 28, HANDBOOK, 200) == pytest.approx(snr)


def test_equation_agrees_with_drawn_photons():
    """The scatter of drawn apertures with Poisson light and Gaussian read noise is that of it."""
    rng = np.random.default_rng(11)
    exposure, pixels, star = Exposure(40.0, 3.0, 4.0), 20, 900.0
    counts = rng.poisson(star + pixels * 43.0, 40_000) + 4.0 * math.sqrt(
        pixels
    ) * rng.standard_normal(40_000)
    drawn = star / counts.std()
    # The standard deviation of 40,000 values is known to 1 / sqrt(80,000) = 0.35 %.
    assert signal_to_noise(star, pixels, exposure) == pytest.approx(drawn, rel=0.015)


def test_shortest_exposure_adds_just_that_much_noise():
    """At the shortest length the noise with read noise is 1.05 times that without."""
    seconds = shortest_exposure_s(1.2, 3.1, 0.05)
    with_reading = math.sqrt(1.25 * seconds + 3.1**2)
    assert with_reading / math.sqrt(1.25 * seconds) == pytest.approx(1.05)


def test_shortest_exposure_where_nothing_shines():
    """Without sky and dark current no length is long enough; without read noise any is."""
    assert shortest_exposure_s(0.0, 2.0) == math.inf
    assert shortest_exposure_s(0.0, 0.0) == 0.0


def test_nothing_has_no_signal_to_noise():
    """No light and no read noise is refused in a sentence."""
    with pytest.raises(ValueError, match="no signal-to-noise"):
        signal_to_noise(0, 1, Exposure(0, 0, 0))
