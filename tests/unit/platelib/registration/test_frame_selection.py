from dataclasses import replace

import numpy as np
import pytest

from platelib.registration.frame_selection import (
    Limits,
    Typical,
    best_transparency,
    judge_measures,
    judge_transparency,
    leave_out,
    measured_rows,
    remedy,
    set_weights,
)
from platelib.registration.sub_state import Cause, SubState

LIMITS = Limits(
    min_stars=8,
    min_transparency=0.5,
    max_fwhm_ratio=1.8,
    max_ellipticity=0.45,
    max_background_ratio=20.0,
)


def _rows(count: int = 9, **changes) -> list[dict]:
    """Good subs, the first of them changed."""
    rows = [
        {
            "state": "used",
            "reason": "",
            "stars": 100 + k,
            "fwhm_px": 3.0 + 0.01 * k,
            "ellipticity": 0.08,
            "sky_rate": 2.0,
            "factor": 1.0 + 0.01 * k,
            "noise_rate": 0.5,
        }
        for k in range(count)
    ]
    rows[0].update(changes)
    return rows


def _judge_measures(rows):
    """Judge subs among themselves."""
    judge_measures(rows, LIMITS, Typical.among(measured_rows(rows)))


def _judge(rows, limits=LIMITS, weights="noise"):
    """Judge the brightness of subs among themselves, and weigh them."""
    used = [row for row in rows if row["state"] == "used"]
    judge_transparency(rows, limits, Typical.among(used).transparency)
    set_weights(rows, weights)


@pytest.mark.parametrize(
    ("changes", "state", "reason"),
    [
        ({"stars": 15}, "clouded", "15 stars, 104 in the median sub, limit 20%"),
        (
            {"ellipticity": 0.62},
            "elongated",
            "ellipticity 0.62, limit 0.45 (quality.max_ellipticity)",
        ),
        (
            {"fwhm_px": 6.0},
            "blurred",
            "FWHM 6.0 px, 1.97 times the median, limit 1.8 (quality.max_fwhm_ratio)",
        ),
        (
            {"sky_rate": 50.0},
            "bright sky",
            "sky 25 times the median, limit 20 (quality.max_background_ratio)",
        ),
    ],
)
def test_bad_subs_have_their_sentence(changes, state, reason):
    """Each fault seen in a sub alone has its state and its reason, and spoils no other sub."""
    rows = _rows(**changes)
    _judge_measures(rows)
    assert (rows[0]["state"], rows[0]["reason"]) == (state, reason)
    assert all(row["state"] == "used" and row["reason"] == "" for row in rows[1:])


def test_few_stars_in_every_sub():
    """Where all subs have few stars, that is what is said, not clouds."""
    rows = _rows()
    for row in rows:
        row["stars"] = 6
    _judge_measures(rows)
    assert {row["state"] for row in rows} == {"few stars"}
    assert rows[0]["reason"] == "6 stars, limit at least 8 (quality.min_stars)"


def test_good_subs_are_used():
    """Subs within all limits stay as they are."""
    rows = _rows()
    _judge_measures(rows)
    _judge(rows, LIMITS, "noise")
    assert {row["state"] for row in rows} == {"used"}


def test_earlier_states_stand():
    """What was found before is not overwritten, and does not count in the medians."""
    rows = _rows(state="unreadable", reason="cut short", stars=0, fwhm_px=np.nan, factor=0.0)
    _judge_measures(rows)
    _judge(rows, LIMITS, "noise")
    assert (rows[0]["state"], rows[0]["reason"]) == ("unreadable", "cut short")
    assert "weight" not in rows[0]
    assert all(row["state"] == "used" for row in rows[1:])


def test_a_sub_without_any_star_is_not_used():
    """No stars at all, in one sub or in all, is a state and not an error."""
    rows = _rows(stars=0, fwhm_px=np.nan, ellipticity=np.nan)
    _judge_measures(rows)
    assert rows[0]["state"] == "clouded"
    rows = [dict(row, stars=0, fwhm_px=np.nan, ellipticity=np.nan) for row in _rows()]
    _judge_measures(rows)
    assert {row["state"] for row in rows} == {"few stars"}


def test_nothing_to_judge():
    """An empty list, or one without a usable sub, is left alone."""
    _judge_measures([])
    _judge([], LIMITS, "noise")
    rows = _rows(1, state="saturated", reason="burnt")
    _judge_measures(rows)
    _judge(rows, LIMITS, "noise")
    assert rows[0]["state"] == "saturated"


def test_clouds_dim_the_stars():
    """A sub with less than half of the light of the best subs is clouded."""
    rows = _rows(factor=2.5)
    _judge(rows, LIMITS, "noise")
    assert (rows[0]["state"], rows[0]["reason"]) == (
        "clouded",
        "transparency 0.408 of the channel's best subs, limit at least 0.5 "
        "(quality.min_transparency)",
    )
    assert rows[1]["transparency"] == pytest.approx(1 / 1.01)


def test_the_limit_does_not_depend_on_the_reference():
    """The same subs are clouded whichever of them the brightness scale is that of."""
    clear = np.array([1.0, 0.98, 0.95, 0.9, 0.45, 0.3, 0.2])
    for reference in clear:
        rows = _rows(len(clear))
        for row, value in zip(rows, clear, strict=True):
            row["factor"] = reference / value
        _judge(rows, LIMITS, "noise")
        assert [row["state"] for row in rows] == ["used"] * 4 + ["clouded"] * 3


def test_a_mostly_clouded_night_is_held_against_its_clear_part():
    """Neither the median nor most subs decide what clear is."""
    rows = _rows(20)
    for k, row in enumerate(rows):
        row["factor"] = 1.0 if k < 4 else 3.0
    _judge(rows, LIMITS, "noise")
    assert [row["state"] for row in rows] == ["used"] * 4 + ["clouded"] * 16


@pytest.mark.parametrize("count", [3, 5, 9, 40])
def test_one_odd_sub_is_not_the_best(count):
    """A sub whose scale came out five times too bright leaves the others as they are."""
    rows = _rows(count, factor=0.2)
    _judge(rows, LIMITS, "noise")
    assert {row["state"] for row in rows} == {"used"}


def test_the_best_subs_are_never_clouded():
    """Even the strictest limit leaves a sub, whatever the subs are like."""
    rng = np.random.default_rng(5)
    for count in (1, 2, 3, 7, 30):
        rows = _rows(count)
        for row in rows:
            row["factor"] = float(rng.lognormal(0, 1))
        _judge(rows, replace(LIMITS, min_transparency=1.0), "noise")
        assert any(row["state"] == "used" for row in rows)


def test_no_brightness_has_no_best():
    """Without a sub there is no best, and subs without a scale do not count."""
    assert np.isnan(best_transparency([]))
    assert best_transparency([np.nan, 0.7]) == 0.7


@pytest.mark.parametrize(
    ("weights", "expected"),
    [("noise", [1.0, 0.25]), ("noise_and_seeing", [1.0, 0.111111]), ("equal", [1.0, 1.0])],
)
def test_weights(weights, expected):
    """Weights go with 1 / noise^2, with 1 / (noise FWHM)^2, or are equal; the largest is 1."""
    rows = _rows(2)
    rows[0].update(noise_rate=0.5, fwhm_px=3.0)
    rows[1].update(noise_rate=1.0, fwhm_px=4.5)
    _judge(rows, LIMITS, weights)
    assert [row["weight"] for row in rows] == expected


@pytest.mark.parametrize(
    ("causes", "expected"),
    [
        ((Cause.MIN_MATCHES,), "lower registration: min_matches in the recipe (reworded 0)"),
        ((Cause.MAX_RMS_PX,), "raise registration: max_rms_px in the recipe (reworded 0)"),
        (
            (Cause.NO_MATCH, Cause.MAX_DEGREE),
            "raise registration: max_degree in the recipe (reworded 0)",
        ),
        ((Cause.NO_MATCH,), "check that they show the field of the reference (reworded 0)"),
    ],
)
def test_the_remedy_goes_by_causes_and_not_by_words(causes, expected):
    """The setting that helps follows from the cause, whatever the sentence of a sub says."""
    rows = _rows(3)
    for number, row in enumerate(rows):
        leave_out(row, SubState.UNMATCHED, f"reworded {number}", *causes)
    assert remedy(rows).startswith(expected)
