from copy import deepcopy
from xml.etree.ElementTree import SubElement

import drawn_reports
import pytest

from platefiles.astrometric_report import structure
from platefiles.astrometric_report.validation import problems

GOOD_VALUES = {
    "obsTime": [
        "2016-02-29T12:32:34Z", "2016-08-29T12:32:34.123456Z", "1972-06-30T23:59:60.01Z",
        "2015-06-30T23:59:60Z", "2016-12-31T23:59:60.1Z", "2091-06-30T23:59:60.1Z",
    ],
    "ra": ["0", "0.00000", "0.", "45.789", "359.999999999", ".5"],
    "dec": ["90", "+30.0", "-30.0", "90.00000", "90.", "-90.0", "-11.2"],
    "permID": ["1", "8746543", "1P", "532D", "73P-AC", "Jupiter 1", "Saturn 999", "(45) 1", "2I"],
    "provID": [
        "1997 AA", "2001 AA1", "2007 BF123455", "C/1996 J1-A", "P/1997 BA6", "P/1885 S1",
        "S/2000 (1998 WW31) 1", "S/2001 U 1", "4007 P-L", "1832 T-3", "A904 OA",
    ],
    "trkSub": ["aa", "J044S", "gf00360d", "A-b_1"],
    "rmsRA": ["0.15", "0.00475", "1"],
    "mag": ["21.9", "-5", "35.0"],
    "stn": ["F51", "250", "Z999"],
}  # fmt: skip
BAD_VALUES = {
    "obsTime": [
        "2016-06-30T23:59:60Z", "1971-12-31T23:59:60Z", "2015-04-25T12:32:34.5",
        "2015-04-25T12:32:34.5+00:00", "2015-04-25T12:32:3Z", "2015-13-25T12:32:34Z",
        "2015-04-31T12:32:34Z", "2015-02-29T12:32:34Z", "2016-08-29T12:32:34.Z",
        "12016-08-29T12:32:34Z", "-2015-04-25T12:32:34.5Z", "2016-08-29T12:32:34.1234567Z",
    ],
    "ra": ["360.00000", "369.90000", "-0.000000001", "+0.1", "359.999999999999999", ".", ""],
    "dec": ["-90.000872", "90.000872", "1e1", "091"],
    "permID": ["(45) Eugenia 1", "(45) Eugenia I", "Jupiter IV", "Pluto 1"],
    "provID": ["1997 AI", "A704 OA", "97 AA"],
    "trkSub": ["gf00360dc", "/022KW", " "],
    "rmsRA": ["0", "-0.1", "0.0000001", "00.1", "0,1"],
    "mag": ["35.1", "-5.1", "21.123456"],
    "stn": ["F5", "F5123", "F-1"],
}  # fmt: skip


@pytest.mark.parametrize(
    ("name", "text"), [(name, text) for name, texts in GOOD_VALUES.items() for text in texts]
)
def test_values_of_valid_samples_are_allowed(name, text):
    """Values of the standard's valid samples (goodtime, goodradec, goodcomets and so on) pass."""
    document = drawn_reports.with_value(name, text)
    if name == "provID":
        assert document.find(".//optical")[0].tag == "provID"
    assert problems(document) == []


@pytest.mark.parametrize(
    ("name", "text"), [(name, text) for name, texts in BAD_VALUES.items() for text in texts]
)
def test_values_of_invalid_samples_are_refused(name, text):
    """Values of the invalid samples (badtime, badra, baddec, badpermID) fail, each by its name."""
    found = problems(drawn_reports.with_value(name, text))
    assert len(found) == 1
    assert found[0].startswith(f"Observation 1: {name} is {text!r}, not ")


def change_version(document, version):
    """Set the version of a document."""
    document.set("version", version)


def without(path):
    """Return a change that takes an element out."""

    def change(document):
        parent = document.find(f".//{path}/..")
        parent.remove(parent.find(path))

    return change


def add(path, name, text):
    """Return a change that adds an element at the end of another."""

    def change(document):
        SubElement(document.find(f".//{path}"), name).text = text

    return change


def mix(document):
    """Add an observation of another kind."""
    document.find(".//obsData").append(deepcopy(document.find(".//optical")))
    document.find(".//obsData")[1].tag = "offset"


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (lambda d: change_version(d, "2010"), "The version is 2010"),  # sample badver1
        (lambda d: d.attrib.clear(), "The version is None"),  # badver2
        (lambda d: d.set("bogus", "1"), "attributes that it must not have: bogus"),  # badver3
        (without("obsContext"), "An obsBlock has obsContext and obsData"),  # noobscontext
        (without("optical"), "There are no observations"),  # emptyobsdata
        (mix, "different kinds (offset, optical)"),  # badmixedtype
        (add("optical", "orbProd", "x"), "orbProd is not allowed"),  # obsResidual
        (add("optical", "localUse", "x"), "localUse is not allowed"),  # goodlocal: not to submit
        (add("optical", "stn", "F51"), "stn stands twice"),
        (add("optical", "obsSubID", "x"), "the elements are not in the order trkSub, obsSubID"),
        (without("astCat"), "astCat is missing"),
        (without("trkSub"), "permID, provID, artSat and trkSub are missing"),
        (without("band"), "its elements do not go together"),
        (without("mpcCode"), "Header: observatory has no mpcCode"),
        (without("measurers"), "The header has no measurers"),
        (without("design"), "Header: telescope has no design"),
        (without("obsBlock"), "There is no obsBlock"),
        (add("telescope", "name", ""), "Header: telescope, name is ''"),
        (add("telescope", "design", "x"), "telescope has design more than once"),
        (add("telescope", "colour", "x"), "telescope must not have colour"),
        (add("comment", "line", "x" * 101), "comment, line is 'xxx"),  # obs.xml
        (add("obsContext", "observatory", None), "The header has observatory more than once"),
        (add("obsContext", "weather", "x"), "The header must not have weather"),
        (add("obsData", "opticalResidual", None), "opticalResidual is no kind"),
        (lambda d: setattr(d.find(".//obsData"), "text", "stray"), "has text of its own: 'stray'"),
        (lambda d: d.find(".//ra").set("unit", "deg"), "ra must not have attributes"),
    ],
)
def test_wrong_structure_is_named(change, said):
    """Each fault of structure gives a sentence that names it."""
    document = drawn_reports.drawn_document()
    assert problems(document) == []
    change(document)
    assert any(said in one for one in problems(document)), problems(document)


@pytest.mark.parametrize(
    ("kind", "names"),
    [
        ("offset", "permID mode stn obsTime obsCenter deltaRA deltaDec rmsRA"),
        ("offset", "provID mode stn obsTime obsCenter dist pa"),
        ("occultation", "permID mode stn obsTime raStar decStar deltaRA deltaDec astCat shapeOcc"),
        ("radar", "permID trx rcv obsTime delay rmsDelay com frq"),
        ("optical", "trkSub mode stn sys ctr pos1 pos2 pos3 obsTime ra dec astCat mag band fltr"),
    ],
)
def test_other_kinds_have_their_elements(kind, names):
    """The orders of the standard's tables pass; the same without a needed one, or mixed, fail."""
    good = names.split()
    assert structure.fault(kind, good) == ""
    assert structure.kind_of(good) == kind
    assert structure.fault(kind, good[:3] + good[4:]) != ""
    assert structure.fault(kind, [*good, good[0]]).endswith("stands twice")
