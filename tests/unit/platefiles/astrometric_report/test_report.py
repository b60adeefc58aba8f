from dataclasses import replace

import drawn_reports
import numpy as np
import pytest

from platefiles.astrometric_report.observations import Observation, Telescope
from platefiles.astrometric_report.report import (
    BEFORE_SENDING,
    make_report,
    refusal,
    report_problems,
)
from platefiles.core.errors import UserError


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"station": " "}, "the station code is missing"),
        ({"observers": ()}, "the observer is missing"),
        ({"observers": ("",)}, "the observer is missing"),
        ({"telescope": None}, "the telescope is incomplete"),
        ({"telescope": Telescope("", 0.2, "CCD")}, "the telescope is incomplete"),
    ],
)
def test_reports_without_their_makers_are_refused(change, said):
    """Without station, observer or telescope there is no report, and one sentence says why."""
    header = replace(drawn_reports.HEADER, **change)
    assert said in refusal(header)
    with pytest.raises(UserError, match=said):
        make_report(header, [drawn_reports.OBSERVATION])


def test_values_that_do_not_fit_are_refused():
    """A report that would not be valid is refused with the element, as is one of nothing."""
    with pytest.raises(UserError, match="Observation 1: trkSub is 'much too long'"):
        make_report(
            drawn_reports.HEADER, [replace(drawn_reports.OBSERVATION, track="much too long")]
        )
    with pytest.raises(UserError, match="mpcCode is 'Z9'"):
        make_report(replace(drawn_reports.HEADER, station="Z9"), [drawn_reports.OBSERVATION])
    with pytest.raises(UserError, match="no observations"):
        make_report(drawn_reports.HEADER, [])


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_drawn_reports_are_valid_in_both_forms(tmp_path, seed):
    """Reports of drawn observations of all sizes of errors are valid as XML and as PSV."""
    rng = np.random.default_rng(seed)
    observations = [
        Observation(
            utc_jd=rng.uniform(2455000, 2465000),
            ra_deg=rng.uniform(0, 360),
            dec_deg=rng.uniform(-90, 90),
            rms_ra=10 ** rng.uniform(-4, 1.5),
            rms_dec=10 ** rng.uniform(-4, 1.5),
            ast_cat="Tyc2",
            mode="CCD",
            track=f"t{k:04d}",
            provisional="2007 TA418" if k % 3 == 0 else "",
            rms_correlation=rng.uniform(-1, 1) if k % 2 else None,
            magnitude=rng.uniform(-4, 25) if k % 5 else None,
            rms_magnitude=10 ** rng.uniform(-5, 0.5) if k % 4 else None,
            band="V",
            exposure_s=10 ** rng.uniform(-2, 4.9),
            rms_time_s=10 ** rng.uniform(-5, 1),
            clock_error_s=10 ** rng.uniform(-5, 1),
            rate=10 ** rng.uniform(-2, 3),
            snr=10 ** rng.uniform(0.2, 4),
            stars=int(rng.integers(3, 9000)),
        )
        for k in range(200)
    ]
    report = make_report(drawn_reports.HEADER, observations)
    for name, text in (("report.xml", report.xml), ("report.psv", report.psv)):
        path = tmp_path / name
        path.write_text(text, encoding="utf-8")
        assert report_problems(path) == []


def test_form_is_known_by_content(tmp_path):
    """XML in UTF-16 is read; damaged files give a problem, missing ones an error."""
    path = tmp_path / "report"
    text = make_report(drawn_reports.HEADER, [drawn_reports.OBSERVATION]).xml
    path.write_bytes(text.replace("UTF-8", "UTF-16").encode("utf-16"))
    assert report_problems(path) == []
    path.write_bytes(b"\xff\xff\xff")
    assert report_problems(path) == ["The report is neither XML nor PSV in UTF-8."]
    path.write_text("<ades>")
    assert "is no XML" in report_problems(path)[0]
    with pytest.raises(UserError, match="cannot be read"):
        report_problems(tmp_path / "missing")


def test_text_says_that_nothing_is_sent():
    """The text beside a report says that nothing was sent, and what to check."""
    for words in ("Nothing has been sent", "two nights", "Look at each track", "known objects"):
        assert words in BEFORE_SENDING
