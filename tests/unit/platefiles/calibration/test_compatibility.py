import random
from dataclasses import replace

from unit.platefiles.calibration.test_matching import LIGHT, _loaded, _many

from platefiles.calibration import compatibility
from platefiles.calibration.compatibility import FlatPools, Tolerance, fits
from platefiles.calibration.grouping import flat_pools, unique_names
from platefiles.calibration.matching import match_calibration

NIGHTS = [f"2026-{month:02d}-{day:02d}" for month in range(1, 6) for day in range(1, 28, 2)]


def test_the_best_flat_is_among_the_candidates():
    """For any light, the candidates have the best pool of all, in any setting and night."""
    rng = random.Random(3)
    flats = [
        replace(
            flat,
            channel=rng.choice(("ha", "g")),
            night=rng.choice(("undated", *NIGHTS[:9])),
            gain=rng.choice((None, 100.0, 200.0)),
            camera=rng.choice(("", "one")),
        )
        for flat in _many("flat", 300)
    ]
    pools, _ = flat_pools(flats, 2)
    flat_index, tolerance = FlatPools(pools), Tolerance(2.0, 0.05)
    for _ in range(300):
        light = replace(
            LIGHT,
            channel=rng.choice(("ha", "g", "r")),
            night=rng.choice(("undated", *NIGHTS[:12])),
            gain=rng.choice((None, 100.0, 300.0)),
            camera=rng.choice(("", "one", "two")),
        )
        candidates = flat_index.candidates(light)
        best = fits("flat", light, pools, tolerance)[0]
        assert fits("flat", light, candidates, tolerance)[0] == best


def test_lights_are_compared_with_the_flats_of_their_night(monkeypatch):
    """Twice the nights need no more than twice the comparisons."""
    counts, compare = [], compatibility._compare

    def counted(*facts):
        counts[-1] += 1
        return compare(*facts)

    monkeypatch.setattr(compatibility, "_compare", counted)
    for nights in (NIGHTS[:30], NIGHTS[:60]):
        counts.append(0)
        frames = []
        for night in nights:
            frames += _many("light", 2, f"light_{night}", night=night)
            frames += _many("flat", 5, f"flat_{night}", night=night)
        matched = match_calibration(frames, _loaded())
        assert {master.night for master in matched.masters} == set(nights)
    assert 0 < counts[1] <= 2 * counts[0]


def test_equal_names_of_pools_get_a_digest():
    """Pools of one name are told apart; a single name stays."""
    pools, _ = flat_pools(
        _many("flat", 2, "a", gain=1.0)
        + _many("flat", 2, "b", gain=2.0)
        + _many("flat", 2, "c", night="2026-03-02", gain=1.0),
        2,
    )
    names = unique_names(pools)
    assert len(set(names)) == 3
    assert names[2] == pools[2].name
    assert names[0].startswith(f"{pools[0].name}_")
