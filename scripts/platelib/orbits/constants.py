"""Constants of orbits: the system in which elements are published."""

import math

GAUSS_K = 0.01720209895
"""Gaussian constant: sqrt(mass of the Sun) in au, days and solar masses."""
SUN_MU = GAUSS_K**2
"""Gravitational parameter of the Sun, au^3/d^2."""
OBLIQUITY_RAD = math.radians(84381.448 / 3600)
"""Obliquity at J2000 (IAU 1976), by which published elements turn from ecliptic to equator."""
LIGHT_DAYS_PER_AU = 499.00478384 / 86400
"""Time that light takes for 1 au, days (IAU 2009 au)."""
SPEED_OF_LIGHT_AU_D = 1 / LIGHT_DAYS_PER_AU
"""au/d."""
EARTH_ROTATION_RAD_D = 7.292115e-5 * 86400
"""Rate of rotation of the Earth, rad/d (IERS Conventions 2010)."""
M_PER_AU = 149597870700.0
"""IAU 2012 Resolution B2."""
MINUTES_PER_DAY = 1440.0
ARCSEC_PER_RAD = math.degrees(1) * 3600
