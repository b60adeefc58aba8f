"""The log file of a job, and what happens when it fails."""

import faulthandler
import logging
import os
import resource
import sys
import warnings
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from platefiles.core.errors import DamagedProduct, UserError
from platefiles.core.provisional import PROVISIONAL, held_back, new_job
from platefiles.core.safe_names import printable, printable_lines
from platefiles.jobs.orphans import hold_job_lock
from platefiles.provenance.damage_marks import clear_mark, mark
from platefiles.provenance.job_notes import note_of, remove_note, write_note
from platefiles.raw_frames.fingerprint import SCAN_CACHE

log = logging.getLogger("platelog")


@contextmanager
def job_log(path: str | Path, job: str = "", product: str | Path = "") -> Iterator[None]:
    """Write messages and warnings to a job's log; end a failed job with its reason.

    The reason is the last line of level ERROR, which the caller shows. For a
    :class:`~platefiles.core.errors.UserError` it is the message; any other exception is preceded by
    its traceback. If the log cannot be written, the reason goes to standard error.

    Parameters
    ----------
    path : path-like
        The log file; its folder is made if needed.
    job : str
        The job. If it succeeds, a `platefiles.provenance.job_notes.JobNote` is the last line of the
        log.
    product : path-like
        The product of the job.
    """
    _allow_many_files()
    try:
        Path(path).parent.mkdir(parents=True, exist_ok=True)
        if job:
            remove_note(path)
        handler = _LogFile(path)
        if not Path(path).is_absolute():  # as Snakemake gives it, from the results folder on
            hold_job_lock(Path(path).parts[0])
    except OSError as error:
        sys.exit(printable(f"{os.path.realpath(path)}: {error.strerror or error}"))
    log.setLevel(logging.INFO)
    log.addHandler(handler)
    warnings.simplefilter("default")
    warnings.showwarning = _to_log
    watches = not faulthandler.is_enabled()
    if watches:
        faulthandler.enable(handler.file)  # the log shall tell of a crash, too
    try:
        with new_job():
            yield
            if reasons := held_back():
                log.warning("provisional, to be made again: %s", "; ".join(reasons))
                _forget_scan(Path(path))
            if job:
                clear_mark(product)
                note = note_of(job, product)
                if reasons:
                    note = note._replace(job=PROVISIONAL)
                log.info("%s", note)
                with suppress(OSError):  # a full disk: the line in the log will do, if it is there
                    write_note(path, note)
    except UserError as error:
        if isinstance(error, DamagedProduct):
            with suppress(OSError):
                mark(error.path)
        log.error("%s", error)
        sys.exit(1)
    except OSError as error:
        log.exception("failed")
        where = f"{os.path.realpath(error.filename)}: " if error.filename else ""
        log.error("%s%s", where, error.strerror or error)
        sys.exit(1)
    except Exception as error:
        log.exception("failed")
        log.error("%s: %s", type(error).__name__, error)
        sys.exit(1)
    finally:
        if watches:
            faulthandler.disable()
        log.removeHandler(handler)
        handler.close()


def _forget_scan(path: Path) -> None:
    """Make the next run read the headers of all frames again, regardless of their times."""
    if not path.is_absolute():
        Path(*path.parts[:2], SCAN_CACHE).unlink(missing_ok=True)


class _LogFile(logging.Handler):
    """A log that writes lines whole or not at all; errors that do not fit go to standard error.

    Unprintable characters are escaped: a log is read on a terminal.
    """

    def __init__(self, path: str | Path):
        super().__init__()
        self.setFormatter(logging.Formatter("%(levelname)s %(message)s"))
        self.file = open(path, "wb", buffering=0)  # noqa: SIM115 - closed with the handler

    def emit(self, record: logging.LogRecord) -> None:
        left = f"{printable_lines(self.format(record))}\n".encode()
        end = self.file.tell()
        try:
            while left:
                left = left[self.file.write(left) :]
        except OSError:
            with suppress(OSError):
                self.file.seek(end)
                self.file.truncate()
            if record.levelno >= logging.ERROR and not record.exc_info:
                print(printable_lines(record.getMessage()), file=sys.stderr)

    def close(self) -> None:
        with suppress(OSError):
            self.file.close()
        super().close()


def _allow_many_files() -> None:
    """Raise the limit on open files to the maximum: an integration opens all subs at once."""
    _, most = resource.getrlimit(resource.RLIMIT_NOFILE)
    with suppress(ValueError, OSError):
        resource.setrlimit(resource.RLIMIT_NOFILE, (most, most))


def _to_log(message, category, filename, lineno, file=None, line=None) -> None:
    log.warning("%s: %s (%s:%s)", category.__name__, message, Path(filename).name, lineno)
