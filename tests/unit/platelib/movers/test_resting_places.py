import numpy as np
import pytest
from unit.platelib.movers.drawn_nights import drawn_detections, drawn_movers, drawn_subs

from platelib.movers.detections import Detections
from platelib.movers.resting_places import at_rest


@pytest.mark.parametrize("seed", range(3))
def test_residues_of_stars_rest_and_slow_movers_do_not(seed):
    """Of residues that light up often nearly all rest; of movers above 0.05 px/min, few points."""
    rng = np.random.default_rng(seed)
    subs = drawn_subs(rng, n=24, hours=3, channels=1)
    movers = drawn_movers(rng, subs, 15, rates=(0.05, 1), snrs=(8, 20))
    detections, which = drawn_detections(rng, subs, movers, stars=60)
    resting, places = at_rest(detections, subs.minutes)
    assert not resting[which == -1].any()
    assert resting[which >= 0].mean() < 0.05
    assert resting[which == -2].mean() > 0.85
    assert 30 < places < 150


def test_no_detections_have_no_places():
    """An empty table gives an empty mask."""
    empty = Detections(*(np.zeros(0, dtype=np.int64 if k in (0, 7) else float) for k in range(8)))
    resting, places = at_rest(empty, np.arange(5.0))
    assert resting.shape == (0,) and places == 0
