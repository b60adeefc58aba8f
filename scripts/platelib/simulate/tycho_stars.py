"""Real stars in the field of the demo, so that its astrometry can be solved.

They are all those of Tycho-2 (Hog et al. 2000, A&A 355, L27; CDS I/259), to its limit, that the
canvas of the demo holds: `config/catalogue/tycho2.fits` has the same values.
"""

from collections.abc import Iterator

from platelib.astrometry.celestial import moved
from platelib.simulate.observing_run import InstrumentSpec, sky_to_scene

TYCHO_STARS = (
    (158.0590767, 30.2409667, 1, -6, 12.158, 11.786),
    (158.0744758, 30.2381286, -9, 3, 11.888, 11.276),
    (158.1053942, 29.8380539, 6, -11, 10.575, 9.208),
    (158.1510931, 29.7210714, 12, -31, 11.228, 10.444),
    (158.3467997, 29.8181086, 24, -11, 11.952, 11.617),
    (158.3711867, 29.9239631, -20, -19, 12.095, 11.888),
    (158.3820814, 29.9847619, 3, 0, 12.649, 11.123),
    (158.4170636, 30.2072858, -12, -2, 12.529, 11.526),
    (158.5053611, 29.9571806, -24, -13, 12.952, 11.985),
    (158.5281761, 30.2149678, -5, -2, 12.771, 11.358),
    (158.5284708, 30.2234100, -43, 16, 11.834, 10.910),
    (158.5517233, 29.7125500, 46, -40, 12.474, 11.660),
    (158.6551619, 30.1269511, -109, -26, 12.594, 11.530),
    (158.7405156, 29.8736817, -4, -7, 12.740, 11.452),
    (158.7692281, 29.9115642, -31, -16, 11.732, 11.005),
    (158.8260808, 30.1988256, -73, -3, 11.640, 10.753),
    (158.8791292, 30.1974886, -12, 3, 12.156, 11.424),
    (158.9315650, 29.6306553, -32, -72, 11.883, 11.107),
    (158.9556103, 29.6974156, 9, -6, 12.857, 11.873),
    (159.0398453, 29.7838381, 3, -5, 12.855, 11.764),
    (159.0398989, 30.1206811, -13, 1, 12.405, 11.302),
    (159.0563403, 30.1172769, -36, -18, 11.527, 10.978),
    (159.0564267, 30.1207797, -37, -20, 11.546, 11.219),
)
"""Right ascension and declination (deg, ICRS, J2000), proper motions (mas/yr), BT and VT."""


def star_temperature_k(bt_vt: float) -> float:
    """Return the temperature of a star of some colour.

    Ballesteros (2012), EPL 97, 34008, eq. 14, with B - V = 0.850 (BT - VT) (ESA 1997, The Hipparcos
    and Tycho Catalogues, section 1.3).
    """
    colour = 0.850 * bt_vt
    return 4600.0 * (1.0 / (0.92 * colour + 1.7) + 1.0 / (0.92 * colour + 0.62))


def tycho_in_scene(
    instrument: InstrumentSpec, size_px: tuple[int, int], year: float
) -> Iterator[tuple[float, float, float, float]]:
    """Yield x, y (scene pixels), VT and temperature of each star as it stood in a Julian year."""
    for ra, dec, pm_ra, pm_dec, bt, vt in TYCHO_STARS:
        place = moved(ra, dec, pm_ra, pm_dec, year - 2000.0)
        x, y = sky_to_scene(instrument, size_px, *place)
        yield float(x), float(y), vt, star_temperature_k(bt - vt)
