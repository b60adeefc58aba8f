"""Night stacks are as good as one pass: a small version of ``tests/bench/accuracy_nights.py``.

The limits are those that by-night integration was built for: noise within 0.5 %, scatter within
3 % of the expected variance, light of stars within 0.2 %, and no more artefacts.
"""

import sys

import numpy as np
import pytest

from platecli.verbs.bench import BENCH

sys.path.insert(0, str(BENCH))

import accuracy_nights  # noqa: E402
import night_subs  # noqa: E402

NIGHTS = ([5] * 6, [10] * 3, [16, 8, 5, 2, 1])


@pytest.fixture(scope="module", params=NIGHTS, ids=str)
def scores(request):
    """Scores of one pass and of night stacks, and of the stacks with too high a limit."""
    sky = night_subs.Sky(rays=1e-3, stars=6, movers=6)
    subs = night_subs.draw(request.param, (180, 220), 3, sky)
    results = night_subs.one_pass(subs), night_subs.by_night(subs)
    return [night_subs.score(subs, found) for found in results]


def test_noise_and_variance(scores):
    """The noise is that of one pass to 0.5 %, and that of the variance to 3 %."""
    one, merged = scores
    assert merged["noise"] < 1.005 * one["noise"]
    assert merged["pull"] == pytest.approx(1.0, abs=0.03)
    assert abs(merged["bias"]) < 0.03


def test_no_more_artefacts_are_left(scores):
    """Of the light of rays, trails and movers no more is left, and less of movers."""
    one, merged = scores
    for kind in night_subs.KINDS:
        assert merged[kind] < one[kind] + 0.03, kind
    assert merged["movers"] < 0.8 * one["movers"]
    assert merged["above"] <= one["above"]


@pytest.mark.parametrize("nights", NIGHTS, ids=str)
def test_stars_keep_their_light(nights):
    """Each class of stars has the light of one pass to 0.2 %, at a seeing of 1 to 1.6."""
    assert accuracy_nights.star_change(nights, (180, 220), 4) < 0.2


def test_whole_limits_would_leave_more_rays(monkeypatch):
    """With the limits for many subs, nights of five leave more light of rays."""
    sky = night_subs.Sky(rays=2e-3, stars=4, movers=0, trails=0.0)
    subs = night_subs.draw([5] * 6, (180, 220), 5, sky)
    one = night_subs.score(subs, night_subs.one_pass(subs))
    merged = night_subs.score(subs, night_subs.by_night(subs))
    monkeypatch.setattr(night_subs, "night_limits", lambda rule, n: rule)
    whole = night_subs.score(subs, night_subs.by_night(subs))
    assert merged["rays 6-15"] < one["rays 6-15"] + 0.01
    assert whole["rays 6-15"] > one["rays 6-15"] + 0.01
    assert np.isfinite(whole["noise"])
