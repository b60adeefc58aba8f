"""The log file of a job, and what happens when it fails."""

import logging
import os
import resource
import sys
import warnings
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from platefiles.errors import UserError
from platefiles.provenance import digest

log = logging.getLogger("platelog")


@contextmanager
def job_log(path: str | Path, job: str = "") -> Iterator[None]:
    """Write messages and warnings to a job's log; end a failed job with its reason.

    The reason is the last line of level ERROR, which whoever started the job shows. For a
    :class:`~platefiles.errors.UserError` it is its sentence; anything else leaves its traceback
    above.

    Parameters
    ----------
    path : path-like
        The log file; its folder is made if needed.
    job : str
        The job, where the product has no header that could tell its digest: then the last line of
        the log of a job that succeeded does.
    """
    _allow_many_files()
    Path(path).parent.mkdir(parents=True, exist_ok=True)
    handler = logging.FileHandler(path, mode="w", encoding="utf-8", errors="backslashreplace")
    handler.setFormatter(logging.Formatter("%(levelname)s %(message)s"))
    log.setLevel(logging.INFO)
    log.addHandler(handler)
    warnings.simplefilter("default")
    warnings.showwarning = _to_log
    try:
        yield
        if job:
            log.info("job %s", digest(job))
    except UserError as error:
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
        log.removeHandler(handler)
        handler.close()


def _allow_many_files() -> None:
    """Lift the limit on open files as far as may be: an integration has all subs open at once."""
    _, most = resource.getrlimit(resource.RLIMIT_NOFILE)
    with suppress(ValueError, OSError):
        resource.setrlimit(resource.RLIMIT_NOFILE, (most, most))


def _to_log(message, category, filename, lineno, file=None, line=None) -> None:
    log.warning("%s: %s (%s:%s)", category.__name__, message, Path(filename).name, lineno)
