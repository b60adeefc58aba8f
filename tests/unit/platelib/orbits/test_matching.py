import numpy as np
import pytest

from platelib.orbits.ephemeris import Ephemeris
from platelib.orbits.field_search import Field, PredictedPlaces
from platelib.orbits.matching import MatchLimits, ObservedTracks, match_orbits

UTC = 2461010.5
FIELD = Field(30.0, 12.0, 1.0, margin_deg=3.0)


def drawn(rng, per_square_degree=100.0):
    """Draw predicted places around the field, with rates of the main belt."""
    count = rng.poisson(per_square_degree * 100)
    ra, dec = (
        30.0 + rng.uniform(-5, 5, count) / np.cos(np.deg2rad(12)),
        12 + rng.uniform(-5, 5, count),
    )
    rates = rng.normal(-0.5, 0.08, count), rng.normal(0.15, 0.06, count)
    blank = np.full(count, 2.0)
    seen = Ephemeris(ra, dec, *rates, blank, blank, blank, blank)
    return PredictedPlaces(FIELD, np.arange(count) + 7000, np.array([UTC]), (seen,))


def tracks_at(ra, dec, rate_ra, rate_dec, minutes=0.0):
    """Return tracks with the errors of a small telescope."""
    count = np.size(ra)
    fill = np.ones(count)
    return ObservedTracks(
        UTC + minutes / 1440 * fill, ra, dec, rate_ra, rate_dec, 0.3 * fill, 0.005 * fill
    )


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_known_bodies_get_their_tracks(seed):
    """Tracks drawn from predictions with their errors find their body, with residuals as drawn."""
    rng = np.random.default_rng(seed)
    predicted = drawn(rng)
    seen = predicted.at[0]
    inside = np.flatnonzero(np.hypot(seen.ra_deg - 30, seen.dec_deg - 12) < 1)[:40]
    east, north = rng.normal(0, 1.0, (2, inside.size))
    tracks = tracks_at(
        seen.ra_deg[inside] + east / 3600 / np.cos(np.deg2rad(seen.dec_deg[inside])),
        seen.dec_deg[inside] + north / 3600,
        seen.rate_ra[inside] + rng.normal(0, 0.003, inside.size),
        seen.rate_dec[inside] + rng.normal(0, 0.003, inside.size),
    )
    found = match_orbits(tracks, predicted)
    assert np.mean(found.row == predicted.row[inside]) > 0.97
    right = found.row == predicted.row[inside]
    np.testing.assert_allclose(found.residual_ra[right], east[right], atol=1e-3)
    np.testing.assert_allclose(found.separation[right], np.hypot(east, north)[right], atol=1e-3)
    np.testing.assert_allclose(
        np.hypot(found.residual_along, found.residual_across), found.separation
    )
    assert np.median(found.chance) < 1e-4


@pytest.mark.parametrize("seed", [4, 5])
def test_chance_is_the_share_of_unrelated_tracks(seed):
    """Of tracks that are no known body, the share p has a match of chance below p."""
    rng = np.random.default_rng(seed)
    predicted = drawn(rng, 60.0)
    count = 800
    ra, dec = 30 + rng.uniform(-0.7, 0.7, count), 12 + rng.uniform(-0.7, 0.7, count)
    tracks = tracks_at(ra, dec, rng.normal(-0.5, 0.08, count), rng.normal(0.15, 0.06, count))
    wide = MatchLimits(600.0, 0.5, prediction_error=20.0)
    found = match_orbits(tracks, predicted, wide)
    for level in (0.02, 0.1, 0.3):
        share = np.mean(np.nan_to_num(found.chance, nan=1.0) < level)
        assert 0.4 * level < share < 1.3 * level + 2 * np.sqrt(level / count)


def test_uncertain_orbits_reach_further():
    """A body 2 arcmin off matches if its orbit is that uncertain, with a larger chance."""
    predicted = drawn(np.random.default_rng(9), 1.0)
    seen = predicted.at[0]
    k = int(np.argmin(np.hypot(seen.ra_deg - 30, seen.dec_deg - 12)))
    tracks = tracks_at(
        seen.ra_deg[[k]], seen.dec_deg[[k]] + 2 / 60, seen.rate_ra[[k]], seen.rate_dec[[k]]
    )
    assert match_orbits(tracks, predicted).row[0] == -1
    error = np.zeros(seen.ra_deg.size)
    error[k] = 100.0
    found = match_orbits(tracks, predicted, orbit_error=error)
    assert found.row[0] == predicted.row[k]
    assert 1e-5 < found.chance[0] < 0.02


def test_unlike_motion_is_no_match():
    """A body at the place of a track, with another motion, is not its match."""
    predicted = drawn(np.random.default_rng(6))
    seen = predicted.at[0]
    k = int(np.argmin(np.hypot(seen.ra_deg - 30, seen.dec_deg - 12)))
    here = (seen.ra_deg[[k]], seen.dec_deg[[k]])
    same = match_orbits(tracks_at(*here, seen.rate_ra[[k]], seen.rate_dec[[k]]), predicted)
    other = match_orbits(tracks_at(*here, -seen.rate_ra[[k]], seen.rate_dec[[k]]), predicted)
    assert same.row[0] == predicted.row[k]
    assert other.row[0] == -1
    assert np.isnan(other.chance[0])
    assert other.candidates[0] == 0


def test_tracks_are_carried_to_the_predicted_time():
    """A track 90 minutes after the prediction is compared with where the body has moved."""
    predicted = drawn(np.random.default_rng(7))
    seen = predicted.at[0]
    k = int(np.argmin(np.hypot(seen.ra_deg - 30, seen.dec_deg - 12)))
    ra = seen.ra_deg[[k]] + seen.rate_ra[k] * 90 / 3600 / np.cos(np.deg2rad(seen.dec_deg[k]))
    dec = seen.dec_deg[[k]] + seen.rate_dec[k] * 90 / 3600
    found = match_orbits(tracks_at(ra, dec, seen.rate_ra[[k]], seen.rate_dec[[k]], 90.0), predicted)
    assert found.row[0] == predicted.row[k]
    assert found.separation[0] < 0.01


def test_residuals_turn_with_the_motion():
    """For a body that moves north, the residual east is across, and that north is along."""
    blank = np.ones(1)
    seen = Ephemeris(np.array([30.0]), np.array([12.0]), 0 * blank, blank, *[blank] * 4)
    predicted = PredictedPlaces(FIELD, np.array([3]), np.array([UTC]), (seen,))
    found = match_orbits(
        tracks_at(np.array([30.001]), np.array([12.002]), 0 * blank, blank), predicted
    )
    assert found.residual_along[0] == pytest.approx(7.2)
    assert found.residual_across[0] == pytest.approx(3.6 * np.cos(np.deg2rad(12)), rel=1e-3)


def test_no_tracks_and_no_bodies_are_allowed():
    """Without tracks there are no rows; without bodies no track has a match."""
    predicted = drawn(np.random.default_rng(8))
    none = np.empty(0)
    assert match_orbits(tracks_at(none, none, none, none), predicted).row.size == 0
    empty = Ephemeris(*[none] * 8)
    bare = PredictedPlaces(FIELD, np.empty(0, dtype=int), np.array([UTC]), (empty,))
    one = np.ones(1)
    assert match_orbits(tracks_at(30 * one, 12 * one, one, one), bare).row.tolist() == [-1]
