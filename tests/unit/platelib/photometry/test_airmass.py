import numpy as np
import pytest

from platelib.photometry.airmass import airmass, altitude_deg


def test_airmass_below_the_horizon_is_none():
    """NaN for what is below the horizon, and no warning."""
    assert np.isnan(airmass([-0.1, -30.0])).all()


def test_altitude_agrees_with_the_transformation_of_astropy():
    """Without the air, altitudes are those of astropy within 20 arc seconds (UT1 is UTC here)."""
    from astropy import units as u
    from astropy.coordinates import AltAz, EarthLocation, SkyCoord
    from astropy.time import Time
    from astropy.utils import iers

    moments = 58400.1 + np.linspace(0, 0.4, 7)
    site = EarthLocation(lat=42.61 * u.deg, lon=-71.485 * u.deg, height=100 * u.m)
    with iers.conf.set_temp("auto_download", False):
        frame = AltAz(obstime=Time(moments, format="mjd", scale="utc"), location=site)
        expected = SkyCoord(63.05, 22.88, unit="deg").transform_to(frame).alt.deg
    found = altitude_deg(63.05, 22.88, moments, 42.61, -71.485, 100.0)
    up = expected > 10
    refraction = found - expected
    assert up.sum() >= 4
    assert ((refraction[up] > 0.0) & (refraction[up] < 0.1)).all()
    # Bennett (1982), Journal of Navigation 35, 255: refraction in arc minutes at apparent altitude.
    bennett = 1 / np.tan(np.deg2rad(found + 7.31 / (found + 4.4))) / 60
    np.testing.assert_allclose(refraction[up], bennett[up], atol=20 / 3600)


def test_altitude_agrees_with_a_header(raw_series):
    """A telescope's own altitude and airmass of a sub, site from the same header."""
    from astropy.time import Time

    from platefiles.frames.dialects import read_facts
    from platefiles.raw_frames.raw_header import read_raw_header

    path = raw_series("slow-mover").folder / "light_020.fits.fz"
    with open(path, "rb") as file:
        cards = read_raw_header(file, path.stat().st_size).cards
    facts = read_facts(cards)
    moment = Time(facts.start_utc, scale="utc").mjd
    place = (facts.ra_deg, facts.dec_deg, np.array([moment]))
    found = altitude_deg(*place, facts.latitude_deg, -facts.longitude_deg)
    assert found[0] == pytest.approx(cards["CENTALT"], abs=0.15)
    assert airmass(found)[0] == pytest.approx(cards["AIRMASS"], abs=0.03)
