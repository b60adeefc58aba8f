"""A small drawn project that faults are done to, and how it is run, verified and compared."""

import fcntl
import hashlib
import json
import os
import shutil
import signal
import subprocess
import sys
import time
import uuid
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path

from draw_demo import draw_raw
from platelog import child_environment

ROOT = Path(__file__).resolve().parents[2]
VERB = (sys.executable, str(ROOT / "scripts" / "platelog.py"))
NIGHT = "2026-03-23"
PROJECT = """title: Tiny
raw: [../raw]
recipe: single-channel
channels: {g: {filters: [G]}}
overrides: {integration: {by_night: always}}
"""
FOLDERS = (
    *("calibration", "measures", "cosmic_rays", "registration", "nights", "channels"),
    *("sky", "field", "picture"),
)
TABLES = ("subs.tsv", "seeing.tsv", "contact_sheet.png")
JARGON = ("Traceback", "Logging error", "Error in rule", "Errno", "Exception ignored")

_MARK = "PLATELOG_FAULT_TRIAL"


class SmallProject:
    """A folder with raw frames, a project file and, after a run, results.

    Parameters
    ----------
    folder : Path
    """

    def __init__(self, folder: Path):
        self.folder = folder
        self.raw = folder / "raw"
        self.file = folder / "projects" / "tiny.yaml"
        self.lock = folder / "projects" / "tiny.lock.yaml"
        self.results = folder / "results" / "tiny"

    def draw(self) -> None:
        """Draw the raw frames of one channel and night, with their calibration frames."""
        drawn = self.folder / "drawn"
        draw_raw("tiny", drawn)
        for pattern in (f"{NIGHT}/g-*", f"{NIGHT}/flat-g-*", "*/bias-*", "*/dark-180s-*"):
            for path in drawn.glob(pattern):
                place = self.raw / path.relative_to(drawn)
                place.parent.mkdir(parents=True, exist_ok=True)
                path.rename(place)
        shutil.rmtree(drawn)
        self.file.parent.mkdir()
        self.file.write_text(PROJECT, encoding="utf-8")

    def copied(self, folder: Path, finished: bool) -> "SmallProject":
        """Return a copy in another folder, which is emptied, with its results or without."""
        shutil.rmtree(folder, ignore_errors=True)
        folder.mkdir(parents=True, exist_ok=True)
        names = ("raw", "projects", "results") if finished else ("raw", "projects")
        for name in names:
            shutil.copytree(self.folder / name, folder / name, symlinks=True)
        copy = SmallProject(folder)
        if not finished:
            copy.lock.unlink(missing_ok=True)
        return copy

    def run(self, *words: str, before: Callable[[], None] | None = None) -> tuple[int, str]:
        """Make everything; return the exit status and what was said."""
        with Started(self, *words, before=before) as run:
            return run.end(600.0)

    def made(self) -> dict[str, str]:
        """Return the SHA-256 of each file that has the name of a product, and of the lock file."""
        found = [self.lock, *(self.results / name for name in TABLES)]
        for name in FOLDERS:
            found += [p for p in (self.results / name).rglob("*") if p.suffix != ".part"]
        return {
            path.relative_to(self.folder).as_posix(): hashlib.sha256(path.read_bytes()).hexdigest()
            for path in found
            if path.is_file()
        }

    def verified(self) -> tuple[int, dict[Path, str]]:
        """Return the exit status of `verify`, and what is wrong with files by their place."""
        words = [*VERB, "verify", str(self.results), "--json"]
        done = subprocess.run(words, env=_environment(), capture_output=True, text=True)
        try:
            files = json.loads(done.stdout)["files"]
        except ValueError:
            return done.returncode, {self.results: (done.stdout + done.stderr).strip()}
        wrong = {Path(one["name"]): one["why"] for one in files if one["state"] != "ok"}
        return done.returncode, {place.resolve(): why for place, why in wrong.items()}

    def locks_held(self, seconds: float = 60.0) -> list[str]:
        """Return the locks that somebody still holds after some time."""
        held = []
        deadline = time.monotonic() + seconds
        for path in (self.results.parent / name for name in (".run.lock", ".jobs.lock")):
            while path.exists() and not _is_free(path):
                if time.monotonic() > deadline:
                    held.append(path.name)
                    break
                time.sleep(0.02)
        return held


class Started:
    """A run that is at work, as the user's shell starts it.

    Parameters
    ----------
    project : SmallProject
    *words : str
        Further words of the command.
    before : callable, optional
        Called in the new process, before it becomes the run.
    """

    def __init__(
        self, project: SmallProject, *words: str, before: Callable[[], None] | None = None
    ):
        self._mark = uuid.uuid4().hex
        self._said: list[str] = []
        command = [*VERB, "run", str(project.file), "--to", "all", "--cores", "2", *words]
        command += ["--directory", str(project.folder)]
        self.process = subprocess.Popen(
            command,
            env=_environment() | {_MARK: self._mark},
            start_new_session=True,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
            errors="surrogateescape",
            preexec_fn=before,
        )

    def __enter__(self) -> "Started":
        return self

    def __exit__(self, *exception: object) -> None:
        """Leave nothing of it at work."""
        self.kill()

    def wait_until_begun(self) -> None:
        """Wait until the interpreter has started, which ends at once when it is signalled."""
        while self.process.poll() is None and not _heeds(self.process.pid, signal.SIGTERM):
            time.sleep(0.005)

    def end(self, seconds: float) -> tuple[int, str]:
        """Wait for the end; return the exit status and what was said."""
        if not self._said:
            self._said.append(self.process.communicate(timeout=seconds)[0])
        return self.process.returncode, self._said[0]

    def kill(self) -> None:
        """Kill all processes of the run at once."""
        while left := self.left():  # some may have been starting others
            for pid in left:
                with suppress(ProcessLookupError):
                    os.kill(pid, signal.SIGKILL)
            time.sleep(0.01)
        self.end(600.0)

    def left(self) -> list[int]:
        """Return the processes of the run that are there, by the mark in their environment."""
        mark = f"{_MARK}={self._mark}".encode()
        return [int(p.name) for p in Path("/proc").iterdir() if p.name.isdigit() and _has(p, mark)]


def _environment() -> dict[str, str]:
    return child_environment(ROOT, Path(sys.prefix))


def _has(process: Path, mark: bytes) -> bool:
    try:
        return mark in (process / "environ").read_bytes().split(b"\0")  # empty for the dead
    except OSError:
        return False


def _heeds(pid: int, number: int) -> bool:
    """Tell whether a process catches or holds back a signal, as the kernel knows it."""
    try:
        lines = Path("/proc", str(pid), "status").read_text(encoding="utf-8").splitlines()
    except OSError:
        return False
    masks = (int(line.split()[1], 16) for line in lines if line[:7] in ("SigCgt:", "SigBlk:"))
    return any(mask >> (number - 1) & 1 for mask in masks)


def _is_free(path: Path) -> bool:
    with open(path, "a") as stream:
        try:
            fcntl.flock(stream, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            return False
        return True


def jargon(said: str) -> str:
    """Return the first word in what was said that no user should meet, or an empty text."""
    return next((word for word in JARGON if word in said), "")
