from dataclasses import replace

import numpy as np
import pytest
from unit.platelib.movers.drawn_nights import drawn_detections, drawn_movers, drawn_subs

from platelib.movers.detections import Detections
from platelib.movers.false_alarms import shuffled_order
from platelib.movers.link_seeds import night_of, seeds
from platelib.movers.linking import LinkSearch, link_detections, shuffled_excess

SEARCH = LinkSearch(1.0)


def _numbers(links, which):
    """Return the number of the drawn mover of each link, or None."""
    found = []
    for link in links:
        values, counts = np.unique(which[link.members], return_counts=True)
        best = int(np.argmax(counts))
        of_mover = values[best] >= 0 and counts[best] >= 0.8 * len(link.members)
        found.append(int(values[best]) if of_mover else None)
    return found


@pytest.mark.parametrize("seed", range(900, 903))
def test_movers_are_linked_and_nothing_else(seed):
    """Movers with 6 sigma in three subs are found: 0.03 to 20 px/min, gaps, 1 to 3 channels."""
    rng = np.random.default_rng(seed)
    subs = drawn_subs(rng, n=int(rng.integers(10, 31)))
    movers = drawn_movers(rng, subs, 12, rates=(0.03, 20))
    detections, which = drawn_detections(rng, subs, movers, stars=100)
    links = link_detections(detections, subs, SEARCH)
    found = _numbers(links, which)
    assert None not in found and len(set(found)) == len(found)
    wanted = {
        k
        for k, mover in enumerate(movers)
        if np.count_nonzero(mover.seen & (mover.snr / subs.flux_error >= 6)) >= 3
    }
    assert len(wanted - set(found)) <= 1
    members = np.concatenate([link.members for link in links])
    assert len(np.unique(members)) == len(members)
    for link, number in zip(links, found, strict=True):
        assert abs(link.motion.rate - movers[number].rate) < 6 * link.motion.rate_error
        assert link.chance <= 0.01


@pytest.mark.parametrize("seed", range(910, 913))
def test_nights_without_movers_have_no_tracks(seed):
    """False detections and residues of stars are not linked, in no order of subs."""
    rng = np.random.default_rng(seed)
    subs = drawn_subs(rng, n=int(rng.integers(10, 31)))
    detections, _ = drawn_detections(rng, subs, [], false=30, stars=150)
    assert link_detections(detections, subs, SEARCH) == []
    order = shuffled_order(len(subs), seed)
    assert link_detections(detections, subs, SEARCH, order=order) == []


def test_movers_of_a_shuffled_night_are_not_found():
    """Detections of movers in a wrong order of time are no tracks, except of the slowest."""
    rng = np.random.default_rng(921)
    subs = drawn_subs(rng, n=30, hours=3)
    movers = drawn_movers(rng, subs, 10, rates=(0.3, 10), snrs=(8, 30))
    detections, _ = drawn_detections(rng, subs, movers, stars=50)
    order = shuffled_order(30, 3)
    assert link_detections(detections, subs, SEARCH, order=order) == []


def test_masked_subs_and_flags_are_not_missed():
    """A mover that most subs could not see is linked; without knowing that, it is doubted."""
    rng = np.random.default_rng(931)
    subs = drawn_subs(rng, n=20, hours=2, channels=1)
    (mover,) = drawn_movers(rng, subs, 1, rates=(1.0, 1.1), snrs=(20, 21))
    seen = np.arange(20) % 4 == 0
    detections, which = drawn_detections(
        rng, subs, [replace(mover, seen=mover.seen & seen)], false=2, stars=0
    )

    def covered(sub, x, y):
        return seen[sub] & subs.inside(sub, x, y)

    (link,) = link_detections(detections, subs, SEARCH, covered)
    assert set(which[link.members]) == {0}
    assert link_detections(detections, subs, SEARCH) == []
    flagged = replace(detections, flags=np.where(which == 0, 4, 0))
    assert link_detections(flagged, subs, SEARCH, covered) == []


def test_flux_that_jumps_is_no_mover():
    """Detections in a line whose fluxes have nothing in common are not linked."""
    rng = np.random.default_rng(941)
    subs = drawn_subs(rng, n=12, hours=1, channels=1)
    (mover,) = drawn_movers(rng, subs, 1, rates=(1.0, 1.1), snrs=(20, 21))
    detections, _ = drawn_detections(rng, subs, [mover], false=0.1, stars=0)
    assert len(link_detections(detections, subs, SEARCH)) == 1
    jumping = replace(detections, flux=detections.flux * rng.choice([1, 9], len(detections)))
    assert link_detections(jumping, subs, SEARCH) == []


def test_shuffled_series_measure_the_false_alarms():
    """Where detections are random, shuffled series show no more than is expected."""
    rng = np.random.default_rng(961)
    subs = drawn_subs(rng, n=12, hours=2, channels=1)
    detections, _ = drawn_detections(rng, subs, [], false=10, stars=20)
    assert 1 <= shuffled_excess(detections, subs, SEARCH, [1, 2, 3, 4]) < 2


def test_a_higher_excess_asks_for_more():
    """Tracks are as uncertain as the excess says."""
    rng = np.random.default_rng(971)
    subs = drawn_subs(rng, n=12, hours=1, channels=1)
    (mover,) = drawn_movers(rng, subs, 1, rates=(1.0, 1.1), snrs=(20, 21))
    detections, _ = drawn_detections(rng, subs, [mover], false=3, stars=0)
    one, many = (
        link_detections(detections, subs, replace(SEARCH, excess=excess))[0].chance
        for excess in (1.0, 40.0)
    )
    assert many == pytest.approx(40 * one)


def test_too_few_detections_are_no_night():
    """Nothing is linked in two subs, or without detections."""
    rng = np.random.default_rng(951)
    subs = drawn_subs(rng, n=10, hours=1)
    empty = Detections(*(np.zeros(0, dtype=np.int64 if k in (0, 7) else float) for k in range(8)))
    assert link_detections(empty, subs, SEARCH) == []


def test_seeds_lead_to_third_detections():
    """Each pair of a drawn mover is a seed, and most support comes first."""
    t = np.arange(-3.0, 4.0)
    zero = np.zeros(7)
    columns = 100 + 5 * t, 100 - 2 * t, np.full(7, 0.2), np.full(7, 9.0), zero, zero
    detections = Detections(np.arange(7), *columns, np.zeros(7, np.int64))
    night = night_of(detections, t, np.zeros(7, np.int64))
    pairs = seeds(night, (0.02, 30.0), 1e6)
    assert len(pairs) == 21
    assert seeds(night, (0.02, 5.0), 1e6).shape == (0, 2)
    assert seeds(night, (8.0, 30.0), 1e6).shape == (0, 2)
