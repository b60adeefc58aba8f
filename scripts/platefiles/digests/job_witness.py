"""The notes of the jobs of a project, and the files to compare with them.

A note does not name the product. That of a log is known by its place, and so are those of tables
and of the lock file, which have no sums inside.
"""

import os
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from platefiles.provenance.job_notes import FOLDER, JobNote, hidden_note, logged_note
from platefiles.provenance.xmp import PICTURES
from platefiles.rule_files.path_pattern import PathPattern
from platefiles.rule_files.rule_text import rules_by_step

_LOGS, _GRID = "logs", "choose_reference"


@dataclass(frozen=True)
class Job:
    """The notes of a job.

    Attributes
    ----------
    inside : Path
        Its path inside the folder of logs, without extension.
    log, place : Path
        Its log and its hidden note; one may be missing.
    logged : JobNote or None
        The note in the log.
    hidden : (JobNote, str) or None
        The hidden note, with the SHA-256 of the log.
    """

    inside: Path
    log: Path
    place: Path
    logged: JobNote | None
    hidden: tuple[JobNote, str] | None

    @property
    def notes(self) -> list[JobNote]:
        """The notes on the product in log and hidden note; they should be equal."""
        return [note for note in (self.logged, self.hidden and self.hidden[0]) if note]

    @property
    def log_sha256(self) -> str:
        """SHA-256 of the log from the hidden note; empty without one."""
        return self.hidden[1] if self.hidden else ""

    def witnessed(self, folder: Path) -> Iterator[tuple[Path, frozenset[str]]]:
        """Yield the files that the notes name, each with its SHA-256.

        Parameters
        ----------
        folder : Path
            Results of the project.
        """
        if self.log_sha256:
            yield self.log, frozenset({self.log_sha256})
        for path in self._products(folder) if self.notes else ():
            yield path, frozenset(note.sha256 for note in self.notes)

    def _products(self, folder: Path) -> list[Path]:
        rule, *about = self.inside.parts
        if rule == _GRID:
            name = f"{os.path.join(*about)}.lock.yaml"
            places = (folder.parent.parent / name, Path("/", name))
            return [Path(os.path.realpath(path)) for path in places]
        return [folder / place for place in _tables_of(self.inside)]


def jobs_of(folder: Path) -> list[Job]:
    """Return the notes of the jobs of a project.

    Parameters
    ----------
    folder : Path
        Its results; the note on the choice of the grid lies beside them.
    """
    grid = [inside for inside in _insides(folder.parent, _GRID) if inside.name == folder.name]
    above = Path(os.path.realpath(folder.parent))
    jobs = [_job(folder, inside) for inside in _insides(folder)]
    return jobs + [_job(above, inside) for inside in grid]


def _tables_of(inside: Path) -> list[str]:
    """Return the paths, by the rules, of the tables whose job writes a log."""
    found = []
    for rule in rules_by_step().values():
        log = PathPattern(rule.log.partition("/logs/")[2], rule.constraints)
        wildcards = log.match(f"{inside.as_posix()}.log")
        if wildcards is not None and rule.output is not None:
            place = rule.output.inside.format(**wildcards)
            if Path(place).suffix not in (".fits", *PICTURES):
                found.append(place)
    return found


def _insides(folder: Path, rule: str = "") -> list[Path]:
    logs, notes = folder / _LOGS, folder / FOLDER
    found = {path.relative_to(logs).with_suffix("") for path in _files_in(logs / rule)}
    return sorted(found | {path.relative_to(notes) for path in _files_in(notes / rule)})


def _job(folder: Path, inside: Path) -> Job:
    log, place = folder / _LOGS / f"{inside}.log", folder / FOLDER / inside
    return Job(inside, log, place, logged_note(log), hidden_note(place))


def _files_in(folder: Path) -> list[Path]:
    return [path for path in folder.rglob("*") if path.is_file() and path.suffix != ".part"]
