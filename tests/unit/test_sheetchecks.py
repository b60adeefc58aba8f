"""Sheet, log and hidden note are three witnesses to a file: the one that errs is named."""

import hashlib

import pytest

from platefiles.digestsheet import NAME, SEAL, write_digest_sheet
from platefiles.findings import CHANGED
from platefiles.joblog import job_log
from platefiles.verification import verify

LOG, HIDDEN, TABLE = "logs/tabulate_subs.log", ".jobs/tabulate_subs", "subs.tsv"


def sha256(path):
    """Digest of a file."""
    return hashlib.sha256(path.read_bytes()).hexdigest()


@pytest.fixture
def results(tmp_path):
    """Write a table with its log, note and sheet."""
    make(tmp_path, "id\n")
    list_them(tmp_path)
    return tmp_path


def make(folder, text):
    """Make the table by a job."""
    with job_log(folder / LOG, "{}", folder / TABLE):
        (folder / TABLE).write_text(text)


def list_them(folder):
    """Write the sheet."""
    write_digest_sheet(folder, {name: sha256(folder / name) for name in (LOG, TABLE)})


def replace(path, old, new):
    """Change a text in a file."""
    path.write_text(path.read_text().replace(old, new))


def changed(folder):
    """Return why files were found changed, by name."""
    found = [finding for finding in verify([folder]).findings if finding.state == CHANGED]
    return {finding.name.removeprefix(f"{folder}/"): finding.why for finding in found}


def test_a_table_is_held_against_the_sheet(results):
    """A table has no sums of its own; the sheet tells that it was changed."""
    assert changed(results) == {}
    (results / TABLE).write_text("ie\n")
    assert changed(results) == {TABLE: f"its SHA-256 is not the one in {NAME}"}


def test_a_sheet_that_errs_is_told_from_a_file_that_errs(results):
    """What a job made after the sheet was written is as it was made: the sheet is behind."""
    digest = sha256(results / TABLE)
    replace(results / NAME, digest, "0" * 64)
    assert "is not as it was written" in changed(results).pop(NAME)
    (results / SEAL).unlink()
    assert list(changed(results)) == [NAME]
    list_them(results)


def test_a_sheet_of_before_a_kill_is_behind_and_no_fault(results):
    """What jobs made after the sheet was written is as they noted it; the sheet is as it was."""
    make(results, "id\tname\n")
    done = verify([results])
    assert done.count(CHANGED) == 0
    assert done.unlisted == {str(results / TABLE), str(results / LOG)}
    (results / TABLE).write_text("ie\tname\n")
    assert list(changed(results)) == [TABLE]
    make(results, "id\tname\n")
    list_them(results)
    assert verify([results]).unlisted == set()


def test_a_file_in_the_place_of_another_is_seen(results):
    """A job noted its digest, but of another file."""
    (results / "seeing.tsv").write_text("fwhm\n")
    with job_log(results / "logs" / "tabulate_seeing.log", "{}", results / "seeing.tsv"):
        pass
    names = (LOG, TABLE, "seeing.tsv")
    write_digest_sheet(results, {name: sha256(results / name) for name in names})
    (results / TABLE).write_bytes((results / "seeing.tsv").read_bytes())
    assert list(changed(results)) == [TABLE]


def test_a_log_and_a_note_that_err_are_named(results):
    """Either is told apart by what the other and the sheet say."""
    digest, log, note = sha256(results / TABLE), results / LOG, results / HIDDEN
    before = log.read_text()
    replace(log, digest, "0" * 64)
    assert list(changed(results)) == [LOG]
    log.write_text(before)
    replace(note, digest, "0" * 64)
    assert changed(results) == {HIDDEN: "does not say what the log of the job says"}
    note.write_text("INFO job\n")
    assert changed(results) == {HIDDEN: "is no note of a job"}


def test_what_is_not_kept_is_no_fault(results):
    """A file of the sheet that was deleted is counted, not called changed."""
    (results / TABLE).unlink()
    done = verify([results])
    assert done.count(CHANGED) == 0
    assert done.not_kept == {str(results / TABLE)}
