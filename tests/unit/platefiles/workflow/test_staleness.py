import hashlib
import os
import time
from pathlib import Path

import pytest

from platefiles.core.hashing import canonical, digest
from platefiles.fits.products_io import write_product
from platefiles.jobs.job_log import job_log
from platefiles.provenance.damage_marks import mark
from platefiles.provenance.header_provenance import making_cards
from platefiles.provenance.job_notes import note_of, read_note
from platefiles.workflow.graph import Product
from platefiles.workflow.reasons import (
    CUT,
    DAMAGED,
    NOT_THERE,
    cause,
    changed_settings,
    header_texts,
)
from platefiles.workflow.rerun_trigger import date_back, newer_file, newer_file_for_a_dry_run
from platefiles.workflow.staleness import Staleness, recorded

INTEGRATION = {"clip_high": 4.0, "clip": "noise", "note": "it's a long & winding text " * 8}
SETTINGS = {"integration": INTEGRATION}


def _job(**more):
    return {"project": "tiny", "settings": SETTINGS, "code": "0123456789abcdef", **more}


def _write(path, job):
    write_product(path, making_cards("integrate", job), [])


@pytest.fixture
def chain(tmp_path, monkeypatch):
    """Three products, each made from the one before, and a fourth that consults the first."""
    monkeypatch.chdir(tmp_path)
    jobs = {name: canonical(_job(name=name)) for name in "abcd"}
    products = [
        Product("a.fits", "measure_stars", "a", jobs["a"], ()),
        Product("b.fits", "register", "b", jobs["b"], ("a.fits",)),
        Product("c.tsv", "list_subs", "c", jobs["c"], ("b.fits",), "c.log"),
        Product("d.fits", "register", "d", jobs["d"], (), "", ("a.fits",)),
    ]
    for name in "abd":
        _write(f"{name}.fits", _job(name=name))
    (tmp_path / "c.tsv").write_text("id\tname\n")
    (tmp_path / "c.log").write_text(f"INFO something\nINFO {note_of(jobs['c'], 'c.tsv')}\n")
    return {product.path: product for product in products}


def _to_make(products, *targets):
    return Staleness(products).to_make(targets or ("c.tsv", "d.fits"))


def test_missing_products_can_be_supposed(chain):
    """A run makes missing targets, and missing inputs of products to make; it deletes no file."""
    now = Staleness(chain)
    assert now.without(["a.fits", "b.fits"]).to_make(["c.tsv", "d.fits"]) == []
    assert now.without(["a.fits", "d.fits"]).to_make(["c.tsv", "d.fits"]) == ["a.fits", "d.fits"]
    assert now.to_make(["c.tsv", "d.fits"]) == []
    assert Path("a.fits").exists()


def test_products_of_their_jobs_are_left_alone(chain):
    """What tells the digest of its job, in its header or its log, is not made again."""
    assert recorded("a.fits") == digest(chain["a.fits"].job)
    assert _to_make(chain) == []


@pytest.mark.parametrize("path", ["a.fits", "b.fits", "c.tsv", "d.fits"])
def test_missing_target_and_stale_product_are_made(chain, path):
    """A target that is not there is made; so is what says another job, or none."""
    product = chain[path]
    Path(product.log or path).write_bytes(b"")
    assert _to_make(chain) == [path]
    os.unlink(path)
    assert _to_make(chain) == ([path] if path in ("c.tsv", "d.fits") else [])
    assert _to_make(chain, path) == [path]


def test_missing_is_made_where_it_is_needed(chain):
    """What was deleted on the way is made only for what has to be made from it."""
    os.unlink("a.fits")
    assert _to_make(chain) == []
    os.unlink("d.fits")
    assert _to_make(chain) == ["a.fits", "d.fits"]
    os.unlink("b.fits")
    os.unlink("c.tsv")
    assert _to_make(chain, "c.tsv") == ["a.fits", "b.fits", "c.tsv"]


def test_what_is_only_consulted_makes_nothing_anew(chain):
    """A stale product counts for who consults it only where that is made anyway."""
    _write("a.fits", _job(name="other"))
    assert _to_make(chain, "d.fits") == []
    os.unlink("d.fits")
    assert _to_make(chain, "d.fits") == ["a.fits", "d.fits"]


def test_log_of_a_job_that_failed_tells_nothing(chain, tmp_path):
    """Only the last line of a log counts."""
    path = tmp_path / "c.log"
    path.write_text(path.read_text() + "ERROR the disk is full\n")
    assert recorded("c.tsv", "c.log") == ""
    assert recorded("c.tsv", "nowhere.log") == recorded("nowhere.fits") == ""


@pytest.mark.parametrize("path", ["a.fits", "b.fits", "c.tsv", "d.fits"])
@pytest.mark.parametrize("share", [0, 0.5, 0.999])
def test_a_file_that_was_cut_is_made_again_and_nothing_else(chain, path, share):
    """Whoever reads no more than a block of it knows by its length, and the cause says so."""
    content = Path(path).read_bytes()
    Path(path).write_bytes(content[: int(len(content) * share)])
    assert _to_make(chain) == [path]
    assert cause(chain[path], Staleness(chain), {path}) == CUT
    Path(path).write_bytes(content + b"\0")
    assert _to_make(chain) == [path]
    Path(path).write_bytes(content)
    assert _to_make(chain) == []


def test_what_lies_between_damaged_files_is_made_too(chain):
    """Snakemake would not look at the second one behind the first, were the middle left alone."""
    for path in ("a.fits", "c.tsv"):
        Path(path).write_bytes(b"half")
    assert _to_make(chain) == ["a.fits", "b.fits", "c.tsv"]
    Path("c.tsv").write_text("id\tname\n")
    assert _to_make(chain) == ["a.fits"]
    os.unlink("c.tsv")
    assert _to_make(chain, "c.tsv") == ["a.fits", "b.fits", "c.tsv"]


@pytest.mark.parametrize("path", ["a.fits", "c.tsv"])
def test_a_file_that_was_found_damaged_is_made_again(chain, path):
    """A mark beside it is enough; the job that makes it again takes the mark away."""
    mark(path)
    assert _to_make(chain) == [path]
    assert cause(chain[path], Staleness(chain), {path}) == DAMAGED
    with job_log(os.path.abspath(chain[path].log or "a.log"), chain[path].job, path):
        pass
    assert _to_make(chain) == []


def test_a_note_tells_job_length_and_digest(chain):
    """What a job noted is read back; half a note is none."""
    note = read_note("c.log")
    assert note == note_of(chain["c.tsv"].job, "c.tsv")
    assert (note.job, note.size_bytes) == (digest(chain["c.tsv"].job), 8)
    assert note.sha256 == hashlib.sha256(b"id\tname\n").hexdigest()
    Path("c.log").write_bytes(Path("c.log").read_bytes()[:-1])
    assert read_note("c.log") is None
    assert read_note("nowhere.log") is None


def test_header_is_read_back_with_its_long_texts(chain):
    """Settings that go on over many cards come back whole."""
    texts = header_texts("a.fits")
    assert texts["SETTINGS"] == canonical(SETTINGS)
    assert texts["STEP"] == "integrate"
    assert header_texts("c.log") == header_texts("nowhere") == {}


@pytest.mark.parametrize(
    ("job", "words"),
    [
        (_job(code="f" * 16), "its code changed"),
        (
            _job(settings={"integration": INTEGRATION | {"clip_high": 3.0}}),
            "integration.clip_high 3.0 -> 4.0",
        ),
        (_job(code="f" * 16, settings=INTEGRATION), "its code changed"),
        (_job(subs=3), "other subs or camera facts"),
    ],
)
def test_cause_is_read_from_the_header(chain, job, words):
    """The header tells whether code, settings or inputs are others than the plan's."""
    _write("a.fits", job)
    assert cause(chain["a.fits"], Staleness(chain), {"a.fits"}) == words


def test_what_follows_has_no_cause_of_its_own(chain):
    """Above a product that is made anew nothing is to be explained."""
    _write("b.fits", _job(name="other"))
    staleness = Staleness(chain)
    assert cause(chain["b.fits"], staleness, {"a.fits", "b.fits"}) == ""
    assert cause(chain["c.tsv"], staleness, {"b.fits", "c.tsv"}) == ""
    os.unlink("d.fits")
    assert cause(chain["d.fits"], Staleness(chain), {"d.fits"}) == NOT_THERE


def test_changed_settings_are_named_with_their_group():
    """Groups are gone into; what is new or gone is `none` on one side."""
    old = {"a": 1, "group": {"b": "x", "c": True}, "gone": 2}
    new = {"a": 1, "group": {"b": "y", "c": True}, "row": {"ha": 1.0}}
    found = ["gone 2 -> none", "group.b x -> y", 'row none -> {"ha": 1.0}']
    assert changed_settings(old, new) == found


def test_products_of_the_future_get_the_present_time(tmp_path):
    """So the file that is newer is newer; what is old keeps its time."""
    times = {"old": 1e9, "late": time.time() + 1e6}
    for name, then in times.items():
        (tmp_path / name).touch()
        os.utime(tmp_path / name, (then, then))
    date_back([str(tmp_path / name) for name in (*times, "nowhere")])
    newer = os.stat(newer_file(str(tmp_path / "results"), touch=True)).st_mtime
    assert os.stat(tmp_path / "old").st_mtime == 1e9
    assert os.stat(tmp_path / "late").st_mtime < newer <= time.time()
    assert os.stat(newer_file_for_a_dry_run()).st_mtime > time.time()
    assert not newer_file_for_a_dry_run().startswith(str(tmp_path))
