"""Subs compared with their own night, and nights with their channel."""

import numpy as np
import pytest

from platelib.registration.frame_selection import Limits, Typical, measured_rows
from platelib.registration.night_selection import Reference, judge_night, judge_whole_nights

LIMITS = Limits(
    min_stars=8,
    min_transparency=0.5,
    max_fwhm_ratio=1.8,
    max_ellipticity=0.45,
    max_background_ratio=20.0,
)
UNKNOWN = Reference(0.0, 0.0)


def _night(count=7, fwhm_px=3.0, factor=1.0, sky_rate=2.0, **changes):
    """Alike subs, the first of them changed."""
    rows = [
        {
            "state": "used",
            "reason": "",
            "stars": 100,
            "fwhm_px": fwhm_px,
            "ellipticity": 0.08,
            "sky_rate": sky_rate,
            "factor": factor,
            "weight": 1.0,
        }
        for _ in range(count)
    ]
    rows[0].update(changes)
    return rows


def _states(rows):
    return [row["state"] for row in rows]


def test_a_sub_is_held_against_its_night():
    """A defocused sub is blurred, and the sentence says what it was compared with."""
    rows = _night(fwhm_px=3.0, stars=12)
    rows[1]["fwhm_px"] = 6.0
    judge_night(rows, UNKNOWN, LIMITS)
    assert _states(rows) == ["clouded", "blurred", *["used"] * 5]
    assert "in the median sub of the night" in rows[0]["reason"]


def test_a_night_of_very_good_seeing_keeps_what_is_as_sharp_as_the_reference():
    """Subs as wide as the reference allows are used, though wide for their night."""
    rows = _night(fwhm_px=2.0)
    rows[1]["fwhm_px"] = 5.0
    judge_night(rows, UNKNOWN, LIMITS)
    assert _states(rows)[1] == "blurred"
    rows = _night(fwhm_px=2.0)
    rows[1]["fwhm_px"] = 5.0
    judge_night(rows, Reference(3.0, 2.0), LIMITS)
    assert set(_states(rows)) == {"used"}


@pytest.mark.parametrize(("factor", "state"), [(1.9, "used"), (2.1, "clouded")])
def test_a_cloudy_night_is_held_against_the_reference(factor, state):
    """A night that is dimmer all over than half of the reference's light is clouded."""
    rows = _night(factor=factor)
    judge_night(rows, UNKNOWN, LIMITS)
    assert set(_states(rows)) == {state}


def test_what_failed_to_match_keeps_its_reason_unless_a_limit_tells_more():
    """An unmatched sub counts in the medians; a limit that it fails comes first."""
    rows = _night(state="unmatched", reason="few matches")
    rows[1].update(state="unmatched", reason="few matches", stars=3)
    judge_night(rows, UNKNOWN, LIMITS)
    assert (rows[0]["state"], rows[0]["reason"]) == ("unmatched", "few matches")
    assert rows[1]["state"] == "clouded"


def test_states_depend_on_no_other_night():
    """A second night changes nothing in the first one, whatever it is like."""
    alone, beside = _night(), _night()
    judge_night(alone, UNKNOWN, LIMITS)
    nights = {"2031-01-01": beside, "2031-01-02": _night(fwhm_px=2.9, factor=0.9)}
    for rows in nights.values():
        judge_night(rows, UNKNOWN, LIMITS)
    assert alone == beside


def _whole(nights):
    everyone = Typical.among(measured_rows([row for rows in nights.values() for row in rows]))
    judge_whole_nights(nights, everyone, LIMITS)


@pytest.mark.parametrize(
    ("changes", "state", "said"),
    [
        ({"fwhm_px": 6.0}, "blurred", "FWHM 6.0 px, 2 times the median"),
        ({"factor": 2.5}, "clouded", "transparency 0.4 of the channel's best subs"),
        ({"sky_rate": 50.0}, "bright sky", "sky 25 times the median"),
    ],
)
def test_a_night_unlike_the_channel_is_left_out_as_a_whole(changes, state, said):
    """All of its subs say so, and lose their weight; other nights stay."""
    nights = {f"2031-01-0{k}": _night() for k in (1, 2, 3)}
    nights["2031-01-04"] = _night(count=5, **changes)
    _whole(nights)
    odd = nights.pop("2031-01-04")
    assert {(row["state"], row["weight"]) for row in odd} == {(state, 0.0)}
    assert odd[0]["reason"].startswith(f"its night 2031-01-04: {said}")
    assert all(set(_states(rows)) == {"used"} for rows in nights.values())


def test_a_night_without_usable_subs_is_no_night():
    """It is passed over, and its subs keep their reasons."""
    nights = {"2031-01-01": _night(), "2031-01-02": _night()}
    for row in nights["2031-01-02"]:
        row.update(state="saturated", reason="burnt", fwhm_px=np.nan)
    _whole(nights)
    assert set(_states(nights["2031-01-02"])) == {"saturated"}
