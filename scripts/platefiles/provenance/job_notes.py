"""The note of a job about its product: digest of the job, length and SHA-256 of the product.

The note is written when the product has its place, as the last line of the job's log and in a
hidden file, since logs are deleted by people who tidy up. It is a second witness to a FITS file and
the only one to a table, which has no header.
"""

import os
import re
from contextlib import suppress
from pathlib import Path
from typing import NamedTuple

from platefiles.core.atomic_write import write_whole
from platefiles.core.hashing import digest, file_sha256

FOLDER = ".jobs"
"""Folder of the hidden notes, beside that of the logs."""

_TAIL_BYTES = 512
_LINE = rb"INFO job ([0-9a-f]{16}|provisional) made (\d{1,18}) bytes, SHA-256 ([0-9a-f]{64})\n"
_LOGGED = re.compile(rb"(?:\A|\n)" + _LINE + rb"\Z")
_HIDDEN = re.compile(rb"\A" + _LINE + rb"INFO log SHA-256 ([0-9a-f]{64})\n\Z")


class JobNote(NamedTuple):
    """The note of a job about its product.

    Attributes
    ----------
    job : str
        Digest of the job, or the word for provisional products, as in JOBDIG.
    size_bytes : int
    sha256 : str
        Of all bytes of the product.
    """

    job: str
    size_bytes: int
    sha256: str

    def __str__(self) -> str:
        return f"job {self.job} made {self.size_bytes} bytes, SHA-256 {self.sha256}"


def note_of(job: str, path: str | Path) -> JobNote:
    """Return the note of a new product.

    Parameters
    ----------
    job : str
        The job.
    path : path-like
        The product.
    """
    return JobNote(digest(job), os.stat(path).st_size, file_sha256(path))


def note_path(log: str | Path) -> Path | None:
    """Return the path of a job's hidden note; None if its log is outside a folder of logs.

    Parameters
    ----------
    log : path-like
        Such as ``results/m31/logs/draw_picture/m31_png.log``.
    """
    parts = Path(log).parts
    if "logs" not in parts:
        return None
    place = len(parts) - 1 - parts[::-1].index("logs")
    return Path(*parts[:place], FOLDER, *parts[place + 1 :]).with_suffix("")


def remove_note(log: str | Path) -> None:
    """Remove the note of a product before a job remakes it."""
    if (path := note_path(log)) is not None:
        path.unlink(missing_ok=True)


def write_note(log: str | Path, note: JobNote) -> None:
    """Write the hidden note of a job, with the digest of its complete log."""
    if (path := note_path(log)) is not None:
        lines = f"INFO {note}\nINFO log SHA-256 {file_sha256(log)}\n".encode("ascii")
        write_whole(path, lambda target: target.write(lines))


def read_note(log: str | Path) -> JobNote | None:
    """Read the note of a job from its log, else from the hidden note; None if the job failed."""
    if (note := logged_note(log)) is not None:
        return note
    path = note_path(log)
    hidden = None if path is None else hidden_note(path)
    return None if hidden is None else hidden[0]


def logged_note(log: str | Path) -> JobNote | None:
    """Read the note at the end of a log."""
    return _note(_LOGGED.search(_tail(log)))


def hidden_note(path: str | Path) -> tuple[JobNote, str] | None:
    """Read a hidden note, with the SHA-256 of the log beside it."""
    found = _HIDDEN.search(_tail(path))
    note = _note(found)
    return None if found is None or note is None else (note, found[4].decode())


def _tail(path: str | Path) -> bytes:
    with suppress(OSError), open(path, "rb") as stream:
        stream.seek(max(0, os.fstat(stream.fileno()).st_size - _TAIL_BYTES))
        return stream.read()
    return b""


def _note(found: re.Match[bytes] | None) -> JobNote | None:
    return found and JobNote(found[1].decode(), int(found[2]), found[3].decode())
