from dataclasses import replace
from itertools import pairwise, product

import numpy as np
import pytest

from platefiles.calibration.grouping import (
    days_apart,
    exposure_slug,
    flat_pools,
    mismatches,
    pools_of,
    temperature_slug,
    unique_names,
)
from platefiles.frames.frame import Frame

DARK = Frame(
    id="", path="", name="", role="dark", channel="", night="2026-03-01",
    camera="Mono 26", width_px=1440, height_px=1040, binning="1x1", gain=100.0, offset=50.0,
    setting="mono_26_1440x1040_g100_o50", exposure_s=600.0, temperature_c=-10.0, start_utc="",
    egain=None, unit="", pedestal=0.0, target="", size_bytes=0, fingerprint="",
)  # fmt: skip


def _frames(*changes, **always):
    return [replace(DARK, id=f"f{n:02d}", **always, **change) for n, change in enumerate(changes)]


def _ids(pools):
    return [[frame.id for frame in pool.frames] for pool in pools]


def test_darks_are_pooled_by_exposure_and_temperature():
    """Scatter within the tolerances stays together, other settings come apart."""
    frames = _frames(
        {"temperature_c": -9.8}, {"exposure_s": 300.0}, {"temperature_c": -10.4},
        {"exposure_s": 601.0}, {"temperature_c": -20.0}, {"temperature_c": None}, {"gain": 0.0},
    )  # fmt: skip
    pools = pools_of(frames, "dark", 2.0, 0.02)
    assert _ids(pools) == [["f00", "f02", "f03"], ["f01"], ["f04"], ["f05"], ["f06"]]
    assert pools[0].name == "dark_600s_mono_26_1440x1040_g100_o50_m10c"
    assert pools[3].name == "dark_600s_mono_26_1440x1040_g100_o50"


def test_a_straggler_does_not_split_a_pool():
    """One frame taken while the camera cooled does not carry others away with it."""
    warm = [{"temperature_c": value} for value in (-12.1, -10.4, -10.2, -10.0, -9.8, -9.6)]
    pools = pools_of(_frames(*warm), "dark", 2.0, 0.02)
    assert _ids(pools) == [["f00"], ["f01", "f02", "f03", "f04", "f05"]]


def _temperatures(pools):
    return [sorted(frame.temperature_c for frame in pool.frames) for pool in pools]


def _pooled(temperatures, width=2.0, kind="bias"):
    frames = _frames(*[{"temperature_c": float(t)} for t in temperatures], role=kind)
    return sorted(_temperatures(pools_of(frames, kind, width, 0.02)))


@pytest.mark.parametrize("seed", range(20))
def test_many_frames_make_the_fewest_and_tightest_pools_of_half_the_tolerance(seed):
    """Of all ways of cutting temperatures into pools no wider than 1 C the best one is taken."""
    rng = np.random.default_rng(seed)
    temperatures = np.round(-10 + rng.choice([0.3, 1.5, 4.0]) * rng.standard_normal(9), 1)
    ways = []
    for cuts in product([False, True], repeat=8):
        parts = np.split(np.sort(temperatures), np.flatnonzero(cuts) + 1)
        if all(np.ptp(part) <= 1.0 + 1e-6 for part in parts):
            ways.append((len(parts), round(sum(len(p) * np.var(p) for p in parts), 6)))
    pools = _pooled(np.repeat(temperatures, 5))
    cost = len(pools), round(sum(len(pool) / 5 * np.var(pool) for pool in pools), 6)
    assert cost == pytest.approx(min(ways))


@pytest.mark.parametrize("seed", range(40))
def test_no_small_pool_stays_beside_one_that_has_room_for_it(seed):
    """However temperatures drift, pools of fewer than five frames join within 2 C."""
    rng = np.random.default_rng(100 + seed)
    temperatures = np.cumsum(rng.uniform(0, rng.choice([0.05, 0.3, 1.0, 2.5]), 60)) - 15
    pools = _pooled(np.round(temperatures, 2))
    assert max(pool[-1] - pool[0] for pool in pools) <= 2.0 + 1e-5
    for a, b in pairwise(pools):
        assert b[-1] - a[0] > 2.0 or min(len(a), len(b)) >= 5


def test_no_pair_in_the_middle_leaves_both_ends_alone():
    """Four frames in a row are two pools of two, though the middle ones are nearest."""
    assert _pooled([0.0, 1.2, 2.3, 3.5]) == [[0.0, 1.2], [2.3, 3.5]]


@pytest.mark.parametrize("kind", ["bias", "dark"])
def test_the_order_of_frames_does_not_matter(kind):
    """Shuffled frames make the same pools."""
    rng = np.random.default_rng(4)
    temperatures = np.round(rng.uniform(-14, -6, 40), 1)
    assert _pooled(temperatures, kind=kind) == _pooled(rng.permutation(temperatures), kind=kind)


def test_an_even_drift_leaves_no_frame_alone():
    """Darks a degree apart are pooled by two and three, not by three and the rest."""
    assert [len(pool) for pool in _pooled(range(7))] in ([2, 2, 3], [2, 3, 2], [3, 2, 2])


def test_scatter_about_a_set_temperature_is_one_pool():
    """A cooler that swings by 0.4 C makes one pool, even where each step is a new reading."""
    assert len(_pooled(np.linspace(-10.4, -9.6, 30))) == 1


def test_pools_far_apart_do_not_change_each_other():
    """More frames at one temperature leave the pools at another as they are."""
    rng = np.random.default_rng(6)
    cold = np.round(rng.uniform(-26, -20, 15), 1)
    for warm in ([-5.0], list(np.round(rng.uniform(-8, 0, 25), 1))):
        pools = _pooled([*cold, *warm])
        assert [pool for pool in pools if pool[0] < -15] == _pooled(cold)


def test_names_stay_when_frames_are_added():
    """More frames of the same kinds do not rename the masters."""
    few = _frames({}, {"temperature_c": -20.0})
    more = few + _frames(*[{}] * 5, {"temperature_c": -20.3}, {"camera": "B", "setting": "b_1x1"})
    more = [replace(frame, id=f"{frame.id}_{n}") for n, frame in enumerate(more)]
    names = [set(unique_names(pools_of(frames, "dark", 2.0, 0.02))) for frames in (few, more)]
    assert len(names[0]) == 2
    assert names[0] < names[1]


def test_equal_names_get_a_digest():
    """Two pools whose temperatures round alike have different names."""
    frames = _frames({"temperature_c": -10.1}, {"temperature_c": -10.4})
    names = unique_names(pools_of(frames, "dark", 0.1, 0.02))
    assert len(set(names)) == 2


def test_flats_are_pooled_by_night_where_there_are_enough():
    """Nights with too few are left out beside others, and pooled where no night has enough."""
    one, two = {"night": "2026-03-01"}, {"night": "2026-03-02"}
    frames = _frames(*[one] * 5, *[two] * 3, role="flat", channel="ha")
    pools, left_out = flat_pools(frames, 5)
    assert [(pool.night, len(pool.frames)) for pool in pools] == [("2026-03-01", 5)]
    assert [frame.id for frame in left_out] == ["f05", "f06", "f07"]
    assert pools[0].name == "flat_ha_2026-03-01_mono_26_1440x1040_g100_o50"
    pools, left_out = flat_pools(frames, 6)
    assert [(pool.night, len(pool.frames)) for pool in pools] == [("", 8)]
    assert (left_out, pools[0].name) == ([], "flat_ha_mono_26_1440x1040_g100_o50")


def test_mismatches():
    """Different values are wrong; a value that only one side has is unknown; none at all fits."""
    other = replace(DARK, gain=0.0, offset=None, width_px=720, camera="mono-26")
    assert mismatches(DARK, other) == (["size", "gain"], ["offset"])
    bare = replace(DARK, gain=None, offset=None, camera="")
    assert mismatches(bare, bare) == ([], [])


@pytest.mark.parametrize(
    ("exposure", "text"), [(600.0, "600s"), (0.25, "0p25s"), (53.907456, "53p9s"), (180.02, "180s")]
)
def test_exposures_in_file_names(exposure, text):
    """Safe, short, and deaf to small scatter."""
    assert exposure_slug(exposure) == text


@pytest.mark.parametrize(
    ("value", "text"), [(-9.98, "m10c"), (5.2, "5c"), (-0.2, "0c"), (None, "")]
)
def test_temperatures_in_file_names(value, text):
    """Rounded to the degree, `m` for minus."""
    assert temperature_slug(value) == text


def test_days_apart():
    """Undated and pooled nights are further than any other."""
    assert days_apart("2026-03-01", "2026-02-27") == 2
    assert days_apart("undated", "2026-02-27") > 100_000
