"""Sheet, log and hidden note are three witnesses to a file: the one that errs is named."""

import hashlib

import pytest

from platefiles.audit.findings import CHANGED
from platefiles.audit.verification import verify
from platefiles.core.provisional import hold_back
from platefiles.digests.digest_sheet import NAME, SEAL, write_digest_sheet
from platefiles.jobs.job_log import job_log

LOG, HIDDEN, TABLE = "logs/list_subs.log", ".jobs/list_subs", "subs.tsv"


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
    """A table has no checksums; a change is found by the sheet."""
    assert changed(results) == {}
    (results / TABLE).write_text("ie\n")
    assert changed(results) == {TABLE: f"its SHA-256 differs from {NAME}"}


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
    with job_log(results / "logs" / "list_seeing.log", "{}", results / "seeing.tsv"):
        pass
    names = (LOG, TABLE, "seeing.tsv")
    write_digest_sheet(results, {name: sha256(results / name) for name in names})
    (results / TABLE).write_bytes((results / "seeing.tsv").read_bytes())
    assert list(changed(results)) == [TABLE]


def test_a_log_and_a_note_that_err_are_named(results):
    """Damage of either is found by the other and the sheet."""
    digest, log, note = sha256(results / TABLE), results / LOG, results / HIDDEN
    before = log.read_text()
    replace(log, digest, "0" * 64)
    assert list(changed(results)) == [LOG]
    log.write_text(before)
    replace(note, digest, "0" * 64)
    assert changed(results) == {HIDDEN: "does not say what the log of the job says"}
    note.write_text("INFO job\n")
    assert changed(results) == {HIDDEN: "is no note of a job"}


@pytest.mark.parametrize("text", ["", "no sheet at all\n", "{line}"])
def test_a_damaged_sheet_does_not_hide_other_damage(results, text):
    """Tables, logs and the list of frames have further witnesses, told by their places."""
    (results / "frames.tsv").write_text("id\n")
    names = (LOG, TABLE, "frames.tsv")
    write_digest_sheet(results, {name: sha256(results / name) for name in names})
    (line, *_) = (results / NAME).read_text().splitlines(keepends=True)
    (results / NAME).write_text(text.format(line=line))
    assert list(changed(results)) == [NAME]
    for name in names:
        before = (results / name).read_text()
        (results / name).write_text("X" + before[1:])
        assert sorted(changed(results)) == sorted([NAME, name]), name
        (results / name).write_text(before)


def test_a_digest_that_was_damaged_in_the_sheet_accuses_no_file(results):
    """A digest with one wrong digit is that of no other content: the sheet errs, not the file."""
    (results / "frames.tsv").write_text("id\n")
    names = (LOG, TABLE, "frames.tsv")
    write_digest_sheet(results, {name: sha256(results / name) for name in names})
    for name in names:
        before, digest = (results / NAME).read_text(), sha256(results / name)
        replace(results / NAME, digest, digest[:-1] + ("1" if digest[-1] != "1" else "2"))
        assert list(changed(results)) == [NAME]
        (results / NAME).write_text(before)


def test_the_file_that_pins_the_grid_is_known_by_its_log(tmp_path):
    """The lock file lies beside the project; its digest is in the log beside all results."""
    folder, lock = tmp_path / "results" / "tiny", tmp_path / "projects" / "tiny.lock.yaml"
    make(folder, "id\n")
    lock.parent.mkdir()
    log = tmp_path / "results" / "logs" / "choose_reference" / "projects" / "tiny.log"
    with job_log(log, "{}", lock):
        lock.write_text("grid: {}\n")
    outside = {f"../../{path.relative_to(tmp_path)}": sha256(path) for path in (log, lock)}
    write_digest_sheet(folder, {TABLE: sha256(folder / TABLE), **outside})
    assert changed(folder) == {}
    (folder / NAME).write_text("")
    for path in (log, lock):
        before = path.read_text()
        path.write_text(before + " ")
        assert sorted(changed(folder)) == sorted([NAME, str(path)])
        path.write_text(before)


def test_what_is_provisional_is_named(results):
    """A table has no header; the note of its job marks it as provisional."""
    assert verify([results]).provisional == set()
    with job_log(results / LOG, "{}", results / TABLE):
        hold_back("a frame changed")
        (results / TABLE).write_text("id\tname\n")
    list_them(results)
    done = verify([results])
    assert (done.provisional, done.count(CHANGED)) == ({str(results / TABLE)}, 0)


def test_what_is_not_kept_is_no_fault(results):
    """A file of the sheet that was deleted is counted, not called changed."""
    (results / TABLE).unlink()
    done = verify([results])
    assert done.count(CHANGED) == 0
    assert done.not_kept == {str(results / TABLE)}
