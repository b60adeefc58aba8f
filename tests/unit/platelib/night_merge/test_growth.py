import numpy as np

from platelib.integration.rejection import Rejection
from platelib.integration.rejection_rules import HIGH
from platelib.night_merge.merge import merge


def test_faint_wings_go_with_a_trail(stacked):
    """Of wings of 2 sigma beside a trail of 30 sigma, nine tenths go; without growth few do."""
    samples, flags, noise, full = stacked((10, 5, 20, 8, 1))
    samples.values[1, 20] += 30 * noise[1]
    samples.values[1, [19, 21]] += 2 * noise[1]
    plain, grown = flags.copy(), flags.copy()
    merge(samples, plain, noise, full, 100.0, Rejection())
    merge(samples, grown, noise, full, 100.0, Rejection(), grow_px=2)
    assert (plain[1, 20] == HIGH).all()
    assert (plain[1, [19, 21]] == HIGH).mean() < 0.1
    assert (grown[1, [19, 21]] == HIGH).mean() > 0.75
    assert (grown[1, [15, 25]] == HIGH).mean() < 0.01


def test_deep_night_loses_little_beside_a_trail(stacked):
    """Growth compares a deep night with the weighted mean, which noisy subs hardly move.

    Of samples without light, one in six lies above the mean by more than its noise.
    """
    samples, flags, noise, full = stacked((40, *(1,) * 9), (60, 1200), seed=4)
    samples.values[:2, 30] += np.float32(30) * noise[:2, None].astype(np.float32)
    samples.values[0, 30] = 100.0
    samples.values[1:3, 30] = np.float32(100 + 30 * noise[1])
    merge(samples, flags, noise, full, 100.0, Rejection(), grow_px=1)
    beside = flags[1:3, [29, 31]] == HIGH
    assert (flags[1:3, 30] == HIGH).all()
    assert 0.1 < beside.mean() < 0.2
    assert (flags[0, [29, 31]] == HIGH).mean() < 0.01
