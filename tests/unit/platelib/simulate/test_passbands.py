import astropy.units as u
import numpy as np
import pytest
from astropy.modeling.physical_models import BlackBody

from platelib.simulate.passbands import BandSpec, flux_ratio, photon_rate

BLUE = BandSpec("b", "B", 450.0, 0.86, 180.0, 1.3)


@pytest.mark.parametrize("temperature", [3500.0, 5800.0, 12000.0])
def test_colours_follow_planck(temperature: float) -> None:
    """The ratio of photon rates of two bands equals that of astropy's black body."""
    body = BlackBody(temperature * u.K, scale=1.0 * u.erg / (u.cm**2 * u.s * u.AA * u.sr))
    # Energy per unit of wavelength times the wavelength goes as the number of photons.
    expected = body(450 * u.nm) * 450 / (body(530 * u.nm) * 530)
    ours = photon_rate(450.0, temperature) / photon_rate(530.0, temperature)
    assert ours == pytest.approx(float(expected), rel=1e-6)


def test_sunlight_gives_the_response() -> None:
    """A source of 5800 K has the stated response; hotter ones are bluer."""
    ratios = flux_ratio(BLUE, [3500.0, 5800.0, 12000.0])
    assert ratios[1] == pytest.approx(0.86)
    assert np.all(np.diff(ratios) > 0)
