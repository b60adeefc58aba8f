import known_orbits
import numpy as np

from platelib.astrometry.celestial import separation_deg
from platelib.orbits.conics import conics
from platelib.orbits.ephemeris import ephemeris
from platelib.orbits.field_search import Field, predict
from platelib.orbits.observer import Site, observer
from platelib.orbits.perturbed import carried

SITE = Site(10.0, 47.0, 600.0)


def test_bodies_of_a_field_are_found_where_integration_has_them():
    """All bodies in a field are found, at the places of the integration, not of two-body motion."""
    elements = known_orbits.main_belt(np.random.default_rng(21), 3000)
    utc = 2461300.6
    seen_from = observer(utc, SITE)
    true = ephemeris(carried(conics(elements), seen_from.tt_jd[0]), elements, seen_from)
    field = Field(float(true.ra_deg[5]), float(true.dec_deg[5]), 4.0)
    predicted = predict(elements, field, utc, SITE)
    apart = separation_deg(true.ra_deg, true.dec_deg, field.ra_deg, field.dec_deg)
    assert set(np.flatnonzero(apart < 4.0)) <= set(predicted.row)
    np.testing.assert_allclose(predicted.at[0].ra_deg, true.ra_deg[predicted.row], atol=1e-7)
    crude = ephemeris(conics(elements), elements, seen_from)
    off = separation_deg(
        crude.ra_deg[predicted.row],
        crude.dec_deg[predicted.row],
        predicted.at[0].ra_deg,
        predicted.at[0].dec_deg,
    )
    assert np.max(off) * 3600 > 5


def test_nights_are_searched_each():
    """A body that leaves the field until a later night is predicted for both nights."""
    elements = known_orbits.main_belt(np.random.default_rng(22), 2000)
    utc = np.array([2461040.6, 2461010.6, 2461010.7])
    first = ephemeris(conics(elements), elements, observer(utc[1], SITE))
    field = Field(float(first.ra_deg[0]), float(first.dec_deg[0]), 0.5, margin_deg=1.0)
    predicted = predict(elements, field, utc, SITE)
    k = int(np.flatnonzero(predicted.row == 0)[0])
    places = [(one.ra_deg[k], one.dec_deg[k]) for one in predicted.at]
    days = [separation_deg(*places[1], *place) for place in places]
    assert days[0] > 2.0
    assert 0 < days[2] < 0.05


def test_empty_field_predicts_nothing():
    """A field without bodies gives no rows, at each time."""
    elements = known_orbits.main_belt(np.random.default_rng(23), 5)
    predicted = predict(elements, Field(0.0, 89.0, 0.1), [2461010.5, 2461011.5], SITE)
    assert predicted.row.size == 0
    assert [one.ra_deg.size for one in predicted.at] == [0, 0]
