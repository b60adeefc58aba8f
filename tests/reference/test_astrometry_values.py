"""World coordinates, distances and airmasses against published values."""

from importlib.resources import files

import numpy as np
import pytest
from astropy.io import fits

from platefiles.astrometry.header_wcs import header_map
from platelib.astrometry.celestial import separation_deg
from platelib.astrometry.tan_sip import SkyMap
from platelib.photometry.airmass import airmass


@pytest.mark.parametrize(
    ("pixel", "place"),
    [
        ((1, 2), (47.503264, 62.795111)),
        ((1, 512), (47.595581, 64.324332)),
        ((511, 512), (44.064419, 64.324332)),
    ],
)
def test_first_example_of_paper_2(pixel, place):
    """Calabretta & Greisen (2002), A&A 395, 1077, example 1: a TAN projection, pixels from 1."""
    sky_map = SkyMap(45.83, 63.57, 255.0, 256.0, (-0.003, 0.0, 0.0, 0.003))
    found = sky_map.sky(pixel[0] - 1.0, pixel[1] - 1.0)
    assert found[0] == pytest.approx(place[0], abs=5e-7)
    assert found[1] == pytest.approx(place[1], abs=5e-7)


def test_example_of_sip():
    """Shupe et al. (2005), ASP Conf. Ser. 347, 491: the SIP header that astropy ships.

    The values at pixel (100, 100), counted from 0, are astropy's, which serves as reference.
    """
    path = str(files("astropy.wcs").joinpath("tests/data/sip.fits"))
    header = fits.getheader(path)
    found = header_map(dict(header), (256, 256))
    assert found is not None
    assert found.sky_map.degree > 1
    ra, dec = found.sky_map.sky(100.0, 100.0)
    # Our reference pixel is another one, so the polynomials are fitted anew: within 0.003 px.
    assert ra == pytest.approx(202.46326476, abs=2e-6)
    assert dec == pytest.approx(47.17564456, abs=2e-6)


def test_distance_of_arcturus_and_spica():
    """Meeus, Astronomical Algorithms, 2nd ed., example 17.a: 32.7930 degrees (from memory)."""
    found = separation_deg(213.9154, 19.1825, 201.2983, -11.1614)
    assert found == pytest.approx(32.7930, abs=5e-5)


@pytest.mark.parametrize(
    ("zenith_deg", "value"),
    [
        *((30, 1.1541), (45, 1.4124), (60, 1.9932), (70, 2.9001), (75, 3.8082), (80, 5.5807)),
        *((85, 10.3337), (90, 38.7494)),
    ],
)
def test_airmass_of_pickering(zenith_deg, value):
    """Pickering (2002), DIO 12, 1: his formula; 38.75 at the horizon is his own value.

    The formula is from memory, the other numbers were computed from it.
    """
    assert airmass(90.0 - zenith_deg) == pytest.approx(value, abs=1e-4)


def test_airmass_agrees_with_kasten_and_young():
    """Kasten & Young (1989), Applied Optics 28, 4735 (from memory): within 0.3 % to 85 degrees."""
    zenith = np.arange(0.0, 85.5, 5.0)
    theirs = 1 / (np.cos(np.deg2rad(zenith)) + 0.50572 * (96.07995 - zenith) ** -1.6364)
    np.testing.assert_allclose(airmass(90 - zenith), theirs, rtol=3e-3)
