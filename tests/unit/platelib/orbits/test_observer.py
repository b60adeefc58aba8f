import numpy as np
import pytest
from astropy import units
from astropy.coordinates import EarthLocation
from astropy.time import Time
from astropy.utils import iers

from platelib.orbits.constants import M_PER_AU
from platelib.orbits.observer import Site, observer, terrestrial_time


def test_site_is_where_a_general_library_has_it():
    """The topocentric vector equals astropy's within the 0.5 km that UT1 = UTC allows."""
    site = Site(18.4764, -33.9347, 10.0)
    times = 2460300.5 + np.array([0.0, 0.3, 100.7])
    place = EarthLocation.from_geodetic(18.4764, -33.9347, 10.0)
    with iers.conf.set_temp("auto_download", False):
        there, speed = place.get_gcrs_posvel(Time(times, format="jd", scale="utc"))
    here, centre = observer(times, site), observer(times)
    offset = (here.position - centre.position) * M_PER_AU
    np.testing.assert_allclose(offset, there.xyz.to_value(units.m).T, atol=500)
    motion = (here.velocity - centre.velocity) * M_PER_AU / 86400
    np.testing.assert_allclose(motion, speed.xyz.to_value(units.m / units.s).T, atol=0.1)


def test_known_ut1_brings_the_site_to_metres():
    """With UT1 - UTC of the Earth orientation service, the site is right to 30 m (polar motion)."""
    time = Time(2457000.5, format="jd", scale="utc")
    place = EarthLocation.from_geodetic(-70.0, 40.0, 2000.0)
    with iers.conf.set_temp("auto_download", False):
        there, _ = place.get_gcrs_posvel(time)
        ut1 = float(time.delta_ut1_utc)
    offset = observer(time.jd, Site(-70.0, 40.0, 2000.0), ut1).position - observer(time.jd).position
    np.testing.assert_allclose(offset[0] * M_PER_AU, there.xyz.to_value(units.m), atol=30)


def test_terrestrial_time_counts_leap_seconds():
    """TT - UTC is 69.184 s since 2017 and 55.184 s in 1990."""
    utc = np.array([2460000.5, 2448000.5])
    np.testing.assert_allclose((terrestrial_time(utc) - utc) * 86400, [69.184, 57.184], atol=1e-4)


def test_sites_off_the_earth_are_refused():
    """A latitude above 90 degrees is refused with the remedy."""
    with pytest.raises(ValueError, match="latitude from -90 to 90"):
        Site(10.0, 100.0)
