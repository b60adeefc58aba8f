import numpy as np
import pytest
from astropy.coordinates import EarthLocation, SkyCoord
from astropy.time import Time
from astropy.utils import iers

from platelib.light_curves.barycentric import bjd_tdb
from platelib.orbits.observer import Site

SITES = [None, Site(-110.88, 31.68, 1300.0), Site(149.0, -33.0, 1100.0)]


@pytest.mark.parametrize("site", SITES)
def test_times_are_astropys(site):
    """Within 50 microseconds, which is the resolution of a Julian Date, of `light_travel_time`."""
    jd = np.array([2451545.3, 2455000.9, 2458107.2, 2461010.7])
    ra, dec = np.array([10.0, 200.0, 270.0, 31.0]), np.array([46.7, -60.0, 66.0, -1.0])
    if site is None:
        place = EarthLocation.from_geocentric(0, 0, 0, unit="m")
    else:
        place = EarthLocation.from_geodetic(site.longitude_deg, site.latitude_deg, site.height_m)
    found = bjd_tdb(jd, ra, dec, site)
    with iers.conf.set_temp("auto_download", False):
        time = Time(jd, format="jd", scale="utc", location=place)
        for k in range(4):
            star = SkyCoord(ra[k], dec[k], unit="deg")
            expected = time.tdb + time.light_travel_time(star, ephemeris="builtin")
            off = (found[:, k] - expected.jd1) - expected.jd2
            assert np.abs(off).max() * 86400 < 5e-5


def test_a_year_of_light_travel_is_eight_minutes():
    """On the ecliptic the light time sways by 499 s over the year, plus TT - UTC of 69.2 s."""
    jd = 2460000.5 + np.arange(0, 366, 2.0)
    delay = (bjd_tdb(jd, np.array([90.0]), np.array([23.44]))[:, 0] - jd) * 86400
    assert delay.max() - 69.18 == pytest.approx(499, abs=12)
    assert delay.min() - 69.18 == pytest.approx(-499, abs=12)
