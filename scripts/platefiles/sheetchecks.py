"""Files held against the sheets of digests beside them, and the sheets against what jobs noted.

Three witnesses tell what a file was: the sheet, the log of its job, and the hidden note. Where they
differ, the one that the file itself contradicts is called changed.
"""

import os
from collections.abc import Iterator
from pathlib import Path
from threading import Lock

from platefiles.digestsheet import NAME, SEAL, is_sealed, read_digest_sheet
from platefiles.errors import UserError
from platefiles.integrity import PICTURES, fault
from platefiles.jobnotes import FOLDER, hidden_note, logged_note
from platefiles.provenance import file_sha256

_LEVELS_UP = 3
_LOGS = "logs"
_REMEDY = "the next run writes the sheet again"


class DigestSheet:
    """The sheet of a folder, and the notes of the jobs that have worked there.

    Parameters
    ----------
    folder : Path
        A folder that has a sheet.

    Attributes
    ----------
    path : Path
        The sheet.
    problem : str
        What is wrong with it, as a sentence goes on; empty as long as nothing was found.
    listed : dict of Path to str
        SHA-256 by path.
    behind : list of Path
        Files that jobs have made again since it was written, as far as they were looked at.
    """

    def __init__(self, folder: Path):
        self.path, self.problem = folder / NAME, ""
        self.listed: dict[Path, str] = {}
        self.behind: list[Path] = []
        try:
            digests = read_digest_sheet(self.path)
            self.listed = {_place(folder, path): sha256 for path, sha256 in digests.items()}
        except UserError as error:
            self.problem = str(error).partition(": ")[2]
        self._is_sealed = is_sealed(self.path)
        if self._is_sealed is False:
            self.problem = f"is not as it was written, {SEAL} beside it tells; {_REMEDY}"
        hidden = [note for path in _files_in(folder / FOLDER) if (note := hidden_note(path))]
        logged = (logged_note(path) for path in _files_in(folder / _LOGS))
        self._noted = {note.sha256 for note in logged if note}
        self._noted |= {
            sha256 for note, log_sha256 in hidden for sha256 in (note.sha256, log_sha256)
        }

    def fault(self, path: Path) -> str:
        """Say what is wrong with a file that the sheet lists; empty if nothing is.

        Parameters
        ----------
        path : Path
            There, and a file.
        """
        listed, present = self.listed[path], file_sha256(path)
        if present == listed and listed in self._noted:
            return ""
        own = own_fault(path)
        if present == listed:
            return own
        if present in self._noted - {*self.listed.values()} and not own:
            if self._is_sealed:
                self.behind.append(path)
            told = f"its digest of {path.name} is not the one that the job noted; {_REMEDY}"
            self.problem = self.problem or ("" if self._is_sealed else told)
            return ""
        return own or f"its SHA-256 is not the one in {NAME}"

    def damaged_notes(self) -> Iterator[tuple[Path, str]]:
        """Find hidden notes that are none, or that log and sheet contradict, with what is wrong."""
        folder = self.path.parent
        for path in _files_in(folder / FOLDER):
            inside = os.path.relpath(path, folder / FOLDER)
            log = folder / _LOGS / f"{inside}.log"
            found = hidden_note(path)
            if found is None:
                yield path, "is no note of a job"
            elif log in self.listed and log.is_file():
                agrees = found == (logged_note(log), self.listed[log])
                if not agrees and file_sha256(log) == self.listed[log]:
                    yield path, "does not say what the log of the job says"


class DigestSheets:
    """The sheets that list the files to be verified, by folder."""

    def __init__(self) -> None:
        self._known: dict[Path, DigestSheet | None] = {}
        self._one_at_a_time = Lock()

    def of_folder(self, folder: Path) -> DigestSheet | None:
        """Return the sheet of a folder; None if it has none."""
        with self._one_at_a_time:
            if folder not in self._known:
                self._known[folder] = DigestSheet(folder) if (folder / NAME).is_file() else None
            return self._known[folder]

    def fault(self, path: Path) -> str:
        """Say what is wrong with a file by the sheet that lists it or, without one, by itself."""
        sheet = self.listing(path)
        return own_fault(path) if sheet is None else sheet.fault(path)

    def listing(self, path: Path) -> DigestSheet | None:
        """Return the sheet that lists a file: of a folder that it lies in, or of one in hand."""
        near = (self.of_folder(folder) for folder in path.parents[:_LEVELS_UP])
        every = (*near, *self.opened)
        return next((sheet for sheet in every if sheet and path in sheet.listed), None)

    @property
    def opened(self) -> list[DigestSheet]:
        """Sheets that were found."""
        with self._one_at_a_time:
            return [sheet for sheet in self._known.values() if sheet is not None]


def own_fault(path: Path) -> str:
    """Say what is wrong with a product or picture by its own sums; empty for all other files."""
    return fault(path) if path.suffix in (".fits", *PICTURES) else ""


def _place(folder: Path, path: str) -> Path:
    """Return where a listed file lies; the folder may be a link to another disk."""
    if path.startswith(os.pardir):
        return Path(os.path.realpath(folder / path))
    return Path(os.path.normpath(folder / path))


def _files_in(folder: Path) -> list[Path]:
    return sorted(path for path in folder.rglob("*") if path.is_file() and path.suffix != ".part")
