import numpy as np
from unit.platelib.movers.drawn_nights import drawn_detections, drawn_subs

from platelib.movers.streaks import fits_rate, is_too_fast, on_streaks


def test_satellites_are_longer_than_any_mover():
    """At 30 px/min a mover makes 93 px in three minutes; a low satellite crosses the frame."""
    length = np.array([5.0, 60.0, 92.0, 300.0, 4000.0])
    fast = is_too_fast(length, np.full(5, 180.0), 3.0, 30.0)
    assert fast.tolist() == [False, False, False, True, True]


def test_a_geostationary_satellite_is_too_fast():
    """15 arcsec/s leaves 150 px in ten seconds at 1 arcsec a pixel."""
    assert is_too_fast(np.array([150.0]), np.array([10.0]), 3.0, 30.0).all()


def test_trails_are_as_long_as_their_rate_says():
    """A round image fits a slow track and not a fast one; a long one fits a fast one."""
    length, trail = np.array([3.1, 3.1, 43.0, 90.0]), np.array([0.5, 40.0, 40.0, 40.0])
    assert fits_rate(length, trail, 3.0, np.full(4, 0.5)).tolist() == [True, False, True, False]


def test_pieces_of_a_trail_are_found_in_their_sub():
    """A line of elongated detections in one sub is a streak; other detections are none."""
    rng = np.random.default_rng(2)
    subs = drawn_subs(rng, n=10, shape=(800, 900))
    detections, which = drawn_detections(rng, subs, [], false=40, stars=0)
    angle, ellipticity = rng.uniform(-1.5, 1.5, len(which)), rng.uniform(0, 0.3, len(which))
    line = np.flatnonzero(detections.sub == 4)[:30]
    along = rng.uniform(0, 800, len(line))
    detections.x[line], detections.y[line] = along, 100 + 0.5 * along
    angle[line], ellipticity[line] = np.arctan(0.5), 0.8
    found = on_streaks(detections, angle, ellipticity, (800, 900))
    assert found[line].mean() > 0.9
    assert not np.delete(found, line).any()
