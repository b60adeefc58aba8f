from dataclasses import replace

import drawn_reports
import pytest

from platefiles.astrometric_report.document import document_of, observation_texts


def texts(**changes):
    """Return the texts of the drawn observation with changes."""
    return observation_texts("Z99", replace(drawn_reports.OBSERVATION, **changes))


def test_values_have_the_digits_of_their_errors():
    """Place, magnitude and their errors come with digits that belong together."""
    got = texts()
    assert (got["ra"], got["dec"]) == ("347.156123", "-17.323406")
    assert (got["rmsRA"], got["rmsDec"]) == ("0.21", "0.18")
    assert (got["mag"], got["rmsMag"]) == ("17.234", "0.062")
    assert got["obsTime"] == "2020-06-17T00:17:46.6Z"
    assert (got["exp"], got["logSNR"]) == ("120", "1.26")


def test_fast_bodies_have_finer_times():
    """At 60 arcsec/min the time has two decimals; an error of 10 s takes them off."""
    assert texts(rate=60.0)["obsTime"] == "2020-06-17T00:17:46.61Z"
    assert texts(rate=60.0, rms_time_s=10.0)["obsTime"] == "2020-06-17T00:17:47Z"


def test_strong_correlation_keeps_more_digits():
    """Errors with a narrow ellipse keep digits of its semiminor axis."""
    assert len(texts(rms_correlation=0.99)["ra"]) == len(texts()["ra"]) + 1
    assert texts(rms_correlation=1.0)["rmsCorr"] == "0.99"


def test_known_bodies_have_one_designation():
    """A numbered body is reported by its number, others by the provisional designation."""
    got = texts(permanent="1", provisional="A899 OF")
    assert (got["permID"], got["provID"]) == ("1", "")
    assert texts(provisional="2007 TA418")["provID"] == "2007 TA418"


@pytest.mark.parametrize(
    ("seconds", "text"), [(0.25, "0.25"), (2.5, "2.5"), (119.6, "120"), (0, "")]
)
def test_exposures_are_whole_seconds_unless_short(seconds, text):
    """Exposures from 10 s are whole numbers, short ones have two digits."""
    assert texts(exposure_s=seconds)["exp"] == text


def test_observers_stand_for_those_who_are_not_named():
    """Without submitter and measurers, the observers are meant; long comments are wrapped."""
    header = replace(drawn_reports.HEADER, comment=("word | " * 40,))
    document = document_of(header, [drawn_reports.OBSERVATION])
    names = [one.text for one in document.findall(".//measurers/name")]
    assert names == ["A. N. Observer", "B. Observer"]
    assert document.find(".//submitter/name").text == "A. N. Observer"
    lines = [one.text for one in document.findall(".//comment/line")]
    assert max(map(len, lines)) <= 100
    assert "|" not in "".join(lines)
