"""What a job notes of its product: by which job it was made, how long it is, its SHA-256.

The note is written when the product has its place, as the last line of the job's log and in a
hidden file, since logs are deleted by people who tidy up. It is a second witness to a FITS file and
the only one to a table, which has no header.
"""

import os
import re
from contextlib import suppress
from pathlib import Path
from typing import NamedTuple

from platefiles.provenance import digest, file_sha256
from platefiles.wholefile import write_whole

FOLDER = ".jobs"
"""Folder of the hidden notes, beside that of the logs."""

_TAIL_BYTES = 512
_NOTE = re.compile(
    rb"(?:\A|\n)INFO job ([0-9a-f]{16}) made (\d{1,18}) bytes, SHA-256 ([0-9a-f]{64})\n\Z"
)


class JobNote(NamedTuple):
    """What a job noted of its product.

    Attributes
    ----------
    job : str
        Digest of the job, as in JOBDIG.
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
    """Return the note of a product that has just been made.

    Parameters
    ----------
    job : str
        The job.
    path : path-like
        The product.
    """
    return JobNote(digest(job), os.stat(path).st_size, file_sha256(path))


def note_path(log: str | Path) -> Path | None:
    """Return where the hidden note of a job lies; None if its log lies in no folder of logs.

    Parameters
    ----------
    log : path-like
        Such as ``results/m31/logs/composite/m31_png.log``.
    """
    parts = Path(log).parts
    if "logs" not in parts:
        return None
    place = len(parts) - 1 - parts[::-1].index("logs")
    return Path(*parts[:place], FOLDER, *parts[place + 1 :]).with_suffix("")


def remove_note(log: str | Path) -> None:
    """Forget what was made, before a job begins to make it again."""
    if (path := note_path(log)) is not None:
        path.unlink(missing_ok=True)


def write_note(log: str | Path, note: JobNote) -> None:
    """Write the hidden note of a job."""
    if (path := note_path(log)) is not None:
        write_whole(path, lambda target: target.write(f"INFO {note}\n".encode("ascii")))


def read_note(log: str | Path) -> JobNote | None:
    """Read what a job noted, in its log or, without one, in the hidden note.

    None where there is none, as after a job that failed.
    """
    hidden = note_path(log)
    return note_in(log) or (None if hidden is None else note_in(hidden))


def note_in(path: str | Path) -> JobNote | None:
    """Read the note at the end of one file."""
    with suppress(OSError), open(path, "rb") as stream:
        stream.seek(max(0, os.fstat(stream.fileno()).st_size - _TAIL_BYTES))
        if found := _NOTE.search(stream.read()):
            return JobNote(found[1].decode(), int(found[2]), found[3].decode())
    return None
