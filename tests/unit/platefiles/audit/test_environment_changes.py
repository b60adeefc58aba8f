import json

from platefiles.audit.environment_changes import altered, changes, surroundings
from platefiles.provenance.activities import Making, Record
from platefiles.provenance.code_digests import code_digest
from platefiles.provenance.header_provenance import VERSION, lock_digest, software


def _record(**facts):
    job = json.dumps({"code": facts.pop("code", code_digest("measure_stars.py")), "settings": {}})
    usual = {"creator": f"platelog {VERSION}", "lock": lock_digest(), "software": software()}
    making = Making("m.fits", "measure_stars", job, **(usual | facts), inputs={}, digest="d")
    return Record({"m.fits": making}, {})


def test_nothing_is_altered_where_a_product_was_just_made():
    """Code, versions and lock of here and now are no difference."""
    assert altered(_record()) == []


def test_code_versions_and_lock_are_told_with_both_values():
    """Each thing that is another now is told by itself."""
    numpy = next(part for part in software().split("; ") if part.startswith("numpy "))
    older = software().replace(numpy, "numpy 1.0")
    found = altered(_record(code="0" * 16, lock="1" * 16, software=older, creator="platelog 0.0"))
    assert found == [
        ("code of measure_stars", "0" * 16, code_digest("measure_stars.py")),
        ("software", "platelog 0.0", f"platelog {VERSION}"),
        ("numpy", "1.0", numpy.removeprefix("numpy ")),
        ("pinned packages", "1" * 16, lock_digest()),
    ]


def test_products_made_with_several_versions_name_all_of_them():
    """Products of one record may have been made at different times."""
    one, other = _record(), _record(lock="2" * 16)
    both = Record({"a": one.makings["m.fits"], "b": other.makings["m.fits"]}, {})
    assert surroundings(both)["pinned packages"] == f"{lock_digest()} and {'2' * 16}"


def test_what_only_one_has_is_none_in_the_other():
    """A library that came or went is a change, too."""
    assert changes({"x": "1"}, {"y": "2"}) == [("x", "1", "none"), ("y", "none", "2")]
