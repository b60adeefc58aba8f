"""Compare files with the lists of digests beside them, and the lists with the notes of jobs.

Three witnesses tell what a file was: the sheet, the log of its job, and the hidden note. Where they
differ, the one that the file itself contradicts is called changed.
"""

import os
from collections.abc import Iterator
from pathlib import Path
from threading import Lock

from platefiles.config.lock_file import REMEDY
from platefiles.core.hashing import file_sha256
from platefiles.core.provisional import PROVISIONAL
from platefiles.digests.digest_sheet import NAME, SEAL, is_sealed, read_lines, read_seal
from platefiles.digests.job_witness import jobs_of
from platefiles.digests.previous_pictures import previous_digests
from platefiles.provenance.integrity import fault
from platefiles.provenance.xmp import PICTURES

_LEVELS_UP = 3
_PINS = ".yaml"
_REMEDY = "the next run writes the list again"


class DigestSheet:
    """The sheet of a folder, and the notes of its jobs.

    Parameters
    ----------
    folder : Path
        A folder that has a sheet.

    Attributes
    ----------
    path : Path
        The sheet.
    problem : str
        The fault of the sheet, as the end of a sentence; empty if none was found.
    listed : dict of Path to str
        SHA-256 by path.
    known : set of Path
        The listed files and, if the sheet is damaged, the files that notes of jobs name.
    behind : list of Path
        Checked files that jobs remade after the sheet was written.
    provisional : list of Path
        Checked files whose jobs noted that they are provisional.
    """

    def __init__(self, folder: Path):
        self.path, self.problem = folder / NAME, ""
        self.behind: list[Path] = []
        self.provisional: list[Path] = []
        digests, odd = read_lines(self.path)
        self.listed = {_place(folder, path): sha256 for path, sha256 in digests.items()}
        if odd:
            self.problem = f"line {odd[0]} is no line of digests; {_REMEDY}"
        self._is_sealed = is_sealed(self.path)
        if self._is_sealed is False:
            self.problem = f"is not as it was written, {SEAL} beside it tells; {_REMEDY}"
        self._jobs = jobs_of(folder)
        notes = [note for job in self._jobs for note in job.notes]
        self._noted = {note.sha256 for note in notes} | {job.log_sha256 for job in self._jobs}
        self._made_for_now = {note.sha256 for note in notes if note.job == PROVISIONAL}
        kept = {folder / path: one for path, one in previous_digests(folder).items()}
        self._noted |= {*kept.values()}
        told = {path: told for job in self._jobs for path, told in job.witnessed(folder)}
        told |= {folder / name: frozenset({sha256}) for name, sha256 in read_seal(folder).items()}
        told |= {path: frozenset({sha256}) for path, sha256 in kept.items()}
        self._told = {path: digests for path, digests in told.items() if path.is_file()}
        self.known = {*self.listed, *(self._told if self.problem else ())}

    def fault(self, path: Path) -> str:
        """Return the fault of one of the `known` files; empty if there is none.

        Parameters
        ----------
        path : Path
            An existing file.
        """
        listed, present = self.listed.get(path), file_sha256(path)
        if present in self._made_for_now and path.suffix != _PINS:
            self.provisional.append(path)
        if present == listed and listed in self._noted:
            return ""
        own = own_fault(path)
        if own or present == listed:
            return own
        is_noted = present in self._noted - {*self.listed.values()}
        if is_noted and self._is_sealed:
            self.behind.append(path)
        elif is_noted or (listed is not None and _is_misspelt(listed, present)):
            told = f"its digest of {path.name} is not the one that the job noted; {_REMEDY}"
            self.problem = self.problem or told
        elif listed is not None:
            more = f"; {REMEDY}" if path.suffix == _PINS else ""
            return f"its SHA-256 differs from {NAME}{more}"
        elif present not in self._told.get(path, {present}):
            return f"its SHA-256 differs from the note beside {NAME}"
        return ""

    def damaged_notes(self) -> Iterator[tuple[Path, str]]:
        """Return invalid hidden notes, and those that log and sheet contradict, with the fault."""
        for job in self._jobs:
            log = job.log if job.log in self.listed else Path(os.path.realpath(job.log))
            if not job.place.is_file():
                continue
            if job.hidden is None:
                yield job.place, "is no note of a job"
            elif log in self.listed and log.is_file():
                agrees = job.hidden == (job.logged, self.listed[log])
                if not agrees and file_sha256(log) == self.listed[log]:
                    yield job.place, "does not say what the log of the job says"


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
        """Return the fault of a file by its sheet of digests, else by its own checksums."""
        sheet = self.listing(path)
        return own_fault(path) if sheet is None else sheet.fault(path)

    def listing(self, path: Path) -> DigestSheet | None:
        """Return the sheet that lists a file: of a parent folder, or one opened before."""
        near = (self.of_folder(folder) for folder in path.parents[:_LEVELS_UP])
        every = (*near, *self.opened)
        return next((sheet for sheet in every if sheet and path in sheet.known), None)

    @property
    def opened(self) -> list[DigestSheet]:
        """The sheets opened so far."""
        with self._one_at_a_time:
            return [sheet for sheet in self._known.values() if sheet is not None]


def own_fault(path: Path) -> str:
    """Return the fault of a product or picture by its internal checksums; empty for other files."""
    return fault(path) if path.suffix in (".fits", *PICTURES) else ""


def _place(folder: Path, path: str) -> Path:
    """Return the path of a listed file; the folder may be a link to another disk."""
    if path.startswith(os.pardir):
        return Path(os.path.realpath(folder / path))
    return Path(os.path.normpath(folder / path))


def _is_misspelt(listed: str, present: str) -> bool:
    """Return whether a digest is a misspelling of another and not the digest of other bytes."""
    return sum(map(str.__eq__, listed, present)) > len(present) // 2
