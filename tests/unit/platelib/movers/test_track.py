import numpy as np
import pytest
from unit.platelib.movers.drawn_nights import (
    FWHM_PX,
    Mover,
    drawn_detections,
    drawn_maps,
    drawn_subs,
    reader_of,
)

from platelib.movers.linking import LinkSearch, link_detections
from platelib.movers.rate_search import RateSearch, is_found, search_rates
from platelib.movers.track import (
    LINKING,
    RATE_SEARCH,
    Plate,
    merge_tracks,
    track_of_link,
    track_of_path,
)

SHAPE = (220, 260)
PLATE = Plate(1.5, 90.0, 180.0)


@pytest.fixture(scope="module")
def both():
    """One mover in both searches, and a fainter one in the maps alone; tracks of each search."""
    rng = np.random.default_rng(3)
    subs = drawn_subs(rng, n=16, hours=1, channels=1, shape=SHAPE)
    minutes, ones = subs.minutes, np.ones(16, dtype=bool)
    bright = (100.0, 120.0, 0.6, 0.8, 7.0)
    faint = (180.0, 60.0, -0.5, 0.3, 2.8)
    mover = Mover(100 + 0.6 * minutes, 120 + 0.8 * minutes, 1.0, 7.0, ones)
    detections, _ = drawn_detections(rng, subs, [mover], false=0.3, stars=0)
    links = link_detections(detections, subs, LinkSearch(1.5))
    signal, weight = drawn_maps(rng, minutes, SHAPE, [bright, faint])
    search = RateSearch(1.2, FWHM_PX, 16.4e6)
    paths = search_rates(reader_of(signal, weight), SHAPE, minutes, search)
    linked = [track_of_link(link, detections, subs, PLATE) for link in links]
    summed = [
        track_of_path(path, search, np.arange(16), subs, PLATE)
        for path in paths
        if is_found(path, minutes, search)
    ]
    return subs, linked, summed


def test_tracks_of_both_searches_agree(both):
    """Place and rate of an object are the same within their errors."""
    subs, (track,), summed = both
    other = summed[0]
    at = subs.minutes
    away = np.hypot(*(track.motion.at(at) - other.motion.at(at)).T)
    assert np.all(away < 5 * np.hypot(track.motion.error_at(at), other.motion.error_at(at)))
    assert abs(track.rate_px_min - 1) < 5 * track.rate_error_arcsec_min / 1.5
    assert track.rate_arcsec_min == pytest.approx(1.5 * track.rate_px_min)
    for one in (track, other):
        assert one.trail_px == pytest.approx(one.rate_px_min * subs.exposure_s[one.sub] / 60)
        assert one.total_snr == pytest.approx(7 * np.sqrt(len(one.sub)), rel=0.35)
        assert 0 <= one.false_alarm_probability <= 0.02


def test_position_angles_run_from_north_to_east():
    """North is 0 and east 90, on a plain grid, a turned one and a mirrored one."""
    assert PLATE.position_angle(0, 1) == pytest.approx(0)
    assert PLATE.position_angle(-1, 0) == pytest.approx(90)
    assert Plate(1, 0, 90).position_angle(0, 1) == pytest.approx(90)
    assert Plate(1, 90, 0).position_angle(1, 1) == pytest.approx(45)
    assert Plate(1, 90, 180).position_angle(1, -1) == pytest.approx(225)


def test_one_object_is_one_track(both):
    """A mover of both searches is listed once with both names, and a faint one with its own."""
    subs, linked, summed = both
    assert len(linked) == 1 and len(summed) == 2
    merged = merge_tracks(linked, summed, subs.minutes, FWHM_PX)
    assert [track.found_by for track in merged] == [(LINKING, RATE_SEARCH), (RATE_SEARCH,)]
    assert merged[0].chance == min(linked[0].chance, summed[0].chance)
    assert np.array_equal(merged[0].x, linked[0].x)
