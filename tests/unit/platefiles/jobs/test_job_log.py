import hashlib
import os
import resource
import signal
import subprocess
import sys
import warnings

import pytest

from platefiles.core.errors import UserError
from platefiles.jobs.job_log import job_log, log
from platefiles.provenance.job_notes import hidden_note, logged_note, note_of, read_note
from snakemake_logger_plugin_platelog.reasons import reason_in_logs


def test_messages_and_warnings_go_to_the_log(tmp_path):
    """The log contains messages of the step and warnings of libraries, including odd names."""
    path = tmp_path / "logs" / "a.log"
    with job_log(path):
        log.info("done with %s", "\u0141 \udc80")
        warnings.warn("careful", UserWarning, stacklevel=1)
    lines = path.read_text(encoding="utf-8").splitlines()
    assert lines[0] == "INFO done with \u0141 \\udc80"
    assert lines[1].startswith("WARNING UserWarning: careful (test_job_log.py:")


def test_log_is_begun_anew_and_closed(tmp_path):
    """A second job of the same name writes over the first, and only to its own file."""
    for text in ("first", "second"):
        with job_log(tmp_path / "a.log"):
            log.info(text)
    log.info("nobody listens")
    assert (tmp_path / "a.log").read_text() == "INFO second\n"


def test_a_job_notes_job_length_and_digest_of_its_product(tmp_path):
    """A successful job notes its product in the log and beside it; a failed job does not."""
    product, path = tmp_path / "table.tsv", tmp_path / "logs" / "tabulate" / "a.log"
    product.write_text("id\n")
    with job_log(path, "{}", product):
        log.info("made")
    note = note_of("{}", product)
    hidden = hidden_note(tmp_path / ".jobs" / "tabulate" / "a")
    assert hidden == (note, hashlib.sha256(path.read_bytes()).hexdigest())
    assert logged_note(path) == note
    path.unlink()
    assert read_note(path) == note
    with pytest.raises(SystemExit), job_log(path, "{}", product):
        raise UserError
    assert read_note(path) is None


def _reason(path):
    return path.read_text().splitlines()[-1]


def test_user_error_ends_the_job_with_its_sentence(tmp_path):
    """The sentence stands in the log without a traceback, and the status is 1."""
    with pytest.raises(SystemExit) as stop, job_log(tmp_path / "a.log"):
        msg = "channel 'g': too few subs"
        raise UserError(msg)
    assert stop.value.code == 1
    assert (tmp_path / "a.log").read_text() == "ERROR channel 'g': too few subs\n"


def test_system_error_names_the_file_behind_the_link(tmp_path):
    """A file out of reach is named by where it lies, not by the link to it."""
    link = tmp_path / "link"
    link.symlink_to(tmp_path / "disk" / "g-01.fits")
    with pytest.raises(SystemExit), job_log(tmp_path / "a.log"):
        link.read_bytes()
    raw = tmp_path / "disk" / "g-01.fits"
    assert _reason(tmp_path / "a.log") == f"ERROR {raw}: No such file or directory"


def test_full_disk_is_a_sentence(tmp_path):
    """An error of the disk without a file is shown as it is."""
    with pytest.raises(SystemExit), job_log(tmp_path / "a.log"):
        raise OSError(28, "No space left on device")
    assert _reason(tmp_path / "a.log") == "ERROR No space left on device"


def test_other_errors_leave_their_traceback_in_the_log(tmp_path):
    """A fault of the program ends the job with one line, above which stands the traceback."""
    with pytest.raises(SystemExit) as stop, job_log(tmp_path / "a.log"):
        msg = "2 of 3"
        raise ValueError(msg)
    assert stop.value.code == 1
    assert _reason(tmp_path / "a.log") == "ERROR ValueError: 2 of 3"
    assert "Traceback" in (tmp_path / "a.log").read_text()


def test_many_files_may_be_open(tmp_path):
    """The limit on open files is lifted as far as the system lets it."""
    before = resource.getrlimit(resource.RLIMIT_NOFILE)
    resource.setrlimit(resource.RLIMIT_NOFILE, (min(before[0], 256), before[1]))
    try:
        with job_log(tmp_path / "a.log"):
            assert resource.getrlimit(resource.RLIMIT_NOFILE)[0] == before[1]
    finally:
        resource.setrlimit(resource.RLIMIT_NOFILE, before)
    assert os.listdir(tmp_path) == ["a.log"]


def test_a_log_on_a_full_disk_ends_quietly(tmp_path, capsys):
    """The job fails with its own reason on standard error and no other message."""
    with pytest.raises(SystemExit) as stop, job_log("/dev/full"):
        log.info("lost")
        raise OSError(28, "No space left on device", str(tmp_path / "a.fits"))
    assert stop.value.code == 1
    assert capsys.readouterr().err == f"{tmp_path / 'a.fits'}: No space left on device\n"


def test_a_log_that_cannot_be_opened_is_a_sentence(tmp_path):
    """So is a log in the place of which there is a folder."""
    (tmp_path / "a.log").mkdir()
    sentence = f"{tmp_path / 'a.log'}: Is a directory"
    with pytest.raises(SystemExit, match=sentence), job_log(tmp_path / "a.log"):
        pass


CRASH = (
    "import os, signal, sys; from platefiles.jobs.job_log import job_log\n"
    "with job_log(sys.argv[1]): os.kill(os.getpid(), signal.SIGBUS)"
)


def test_a_crash_is_in_the_log(tmp_path):
    """A job whose raw file vanishes under it is killed by the system, and its log says so."""
    done = subprocess.run([sys.executable, "-c", CRASH, tmp_path / "a.log"], capture_output=True)
    assert done.returncode == -signal.SIGBUS
    assert (tmp_path / "a.log").read_text().startswith("Fatal Python error: Bus error\n")
    assert reason_in_logs([str(tmp_path / "a.log")]).startswith("a file was cut short, or its disk")
