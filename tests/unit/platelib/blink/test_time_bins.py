"""Which subs a frame shows."""

import numpy as np
import pytest

from platelib.blink.time_bins import LENGTHS_S, shortest_length_s, time_bins


def test_without_a_length_each_sub_is_a_frame_in_order_of_time():
    """Length 0: subs by night and time, whatever their order was; equal times keep theirs."""
    nights, middles = ["b", "a", "a", "a"], [500.0, 30.0, 10.0, 10.0]
    assert time_bins(nights, middles, 0.0) == [[2], [3], [1], [0]]


def test_bins_begin_with_the_first_sub_of_a_night_and_end_with_it():
    """Subs of a bin lie within its length; no bin has subs of two nights."""
    rng = np.random.default_rng(5)
    middles = rng.uniform(0, 20000, 300)
    nights = [f"n{int(m // 7000)}" for m in middles]
    for length in (1.0, 300.0, 1800.0):
        frames = time_bins(nights, middles.tolist(), length)
        assert sorted(k for frame in frames for k in frame) == list(range(300))
        for frame in frames:
            own = middles[frame]
            assert len({nights[k] for k in frame}) == 1
            assert np.ptp(own) < length
            assert (np.diff(own) >= 0).all()


def test_a_sub_without_a_time_stands_alone():
    """It comes before the others of its night."""
    assert time_bins(["a", "a", "a"], [10.0, float("nan"), 20.0], 600.0) == [[1], [0, 2]]


@pytest.mark.parametrize("length", [-1.0, float("nan"), float("inf")])
def test_a_length_that_is_none_is_refused(length):
    """A bin has a length of 0 or more."""
    with pytest.raises(ValueError, match="must be 0 or more"):
        time_bins(["a"], [0.0], length)


def test_the_shortest_length_gives_few_enough_frames():
    """As many frames as wanted at most, and more with the next shorter length."""
    for count in (10, 60, 61, 500):
        middles = (np.arange(count) * 130.0).tolist()
        length = shortest_length_s(["a"] * count, middles, 60)
        assert len(time_bins(["a"] * count, middles, length)) <= 60
        if length:
            shorter = LENGTHS_S[LENGTHS_S.index(length) - 1]
            assert len(time_bins(["a"] * count, middles, shorter)) > 60
        assert (length == 0) == (count <= 60)


def test_with_very_many_nights_each_is_a_frame():
    """No bin goes beyond a night, however many there are."""
    nights = [f"{k // 2:03d}" for k in range(200)]
    middles = [k // 2 * 86400.0 + k % 2 * 20000.0 for k in range(200)]
    length = shortest_length_s(nights, middles, 60)
    assert len(time_bins(nights, middles, length)) == 100
