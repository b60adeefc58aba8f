import json
import os

from platecli.verbs.verify import as_json, text
from platefiles.audit.findings import CHANGED, MISSING, OK, Finding, Verification
from platefiles.provenance.header_provenance import lock_digest


def test_what_is_as_it_was_is_only_counted(monkeypatch, tmp_path):
    """Faults are listed, with paths from the present folder on; the rest stands in the summary."""
    monkeypatch.chdir(tmp_path)
    done = Verification(
        [
            Finding("product", os.fspath(tmp_path / "a.fits"), OK),
            Finding("raw frame", os.fspath(tmp_path / "raw" / "b\n.fits"), CHANGED, "it is odd"),
            Finding("raw frame", "night/c.fits", MISSING, "not found"),
        ]
    )
    assert list(text(done)) == [
        "changed  raw/b\\n.fits: it is odd",
        "missing  night/c.fits: not found",
        "1 product, 1 raw frame: 1 changed, 1 missing",
    ]
    assert next(iter(text(done, everything=True))) == "ok       a.fits"


def test_other_locks_and_what_is_gone_are_told():
    """Both are said in a line of their own, and are no fault."""
    done = Verification(
        [Finding("product", "/x/a.fits", OK), Finding("product", "/x/b.fits", OK)],
        {"0123": ["/x/a.fits", "/x/b.fits"]},
        {"/x/m.fits"},
    )
    assert list(text(done)) == [
        f"2 files made with other pinned packages (0123; this checkout has {lock_digest()}): "
        "/x/a.fits and 1 more",
        "1 intermediate product no longer kept",
        "2 products: all unchanged",
    ]


def test_what_is_provisional_is_named_with_what_it_means():
    """Each file stands in a line of its own; one of an earlier plan is not made again."""
    files = [Finding("product", f"/x/{name}.fits", OK) for name in "abc"]
    done = Verification(files, provisional={"/x/b.fits", "/x/a.fits"})
    why = "a raw frame was not as it had been scanned when it was made"
    assert list(text(done)) == [
        "provisional /x/a.fits",
        "provisional /x/b.fits",
        f"2 files are provisional: {why}; `run` makes them again",
        "3 products: all unchanged",
    ]
    assert json.loads(as_json(done))["provisional"] == ["/x/a.fits", "/x/b.fits"]
    done.left_over = ["/x/a.fits"]
    assert f"1 file is provisional: {why}; `run` makes it again" in list(text(done))


def test_products_of_an_earlier_plan_are_told_with_the_remedy():
    """They stand in a line of their own, with the command that deletes them."""
    files = [Finding("product", f"/x/{name}.fits", OK) for name in "ab"]
    done = Verification(files, left_over=["/x/a.fits", "/x/b.fits"], lost=["n/1.fits"])
    assert list(text(done)) == [
        "2 products of an earlier plan: /x/a.fits and 1 more; "
        "`platelog.py tidy PROJECT` deletes them",
        "1 raw frame that only these needed is missing: n/1.fits",
        "2 products: all unchanged",
    ]
    done = Verification(files, left_over=["/x/a.fits"])
    assert next(iter(text(done))) == (
        "1 product of an earlier plan: /x/a.fits; `platelog.py tidy PROJECT` deletes it"
    )
