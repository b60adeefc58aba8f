"""The outcome of a run: exit status, a line in the log, facts for the user's program."""

import json
import logging
import logging.handlers
import os
import subprocess
import sys
from collections.abc import Sequence
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any

from platefiles.core.safe_names import printable

FAILED = 1
"""Exit status: something went wrong in at least one project."""
WRONG = 2
"""Exit status: the command or the settings of this machine are wrong; nothing was begun."""
NOTHING_NEW = 3
"""Exit status on request: there was nothing to do."""
BUSY = 4
"""Exit status: another run is at work in the folder of results."""

LOG_BYTES, LOG_FILES = 500_000, 4
PATIENCE_S = 60
SHOWN = 6
SUMMARY = "{summary}"
SUMMARY_LETTERS = 1000
"""Length of a summary in arguments and variables: the system bounds both, and so do pagers."""
LINE_LETTERS = 2000
"""Length of a line in the log."""


@dataclass(frozen=True)
class ProjectOutcome:
    """The outcome of one project.

    Attributes
    ----------
    name, title : str
    outcome : str
        made, nothing new, or failed.
    jobs : int
        Jobs that were done.
    new_subs : dict
        New subs by channel and night.
    problem : str
        What went wrong.
    failures : dict of str to str
        Why jobs failed, by job in words; empty where no log tells.
    left : tuple of str
        Products that were not made as planned.
    provisional : tuple of str
        Products that were made and are to be made again, since a raw frame was changing.
    """

    name: str
    title: str
    outcome: str
    jobs: int = 0
    new_subs: dict[str, dict[str, int]] = field(default_factory=dict)
    problem: str = ""
    failures: dict[str, str] = field(default_factory=dict)
    left: tuple[str, ...] = ()
    provisional: tuple[str, ...] = ()

    @property
    def provisional_lines(self) -> list[str]:
        """Lines on provisional products."""
        count = len(self.provisional)
        if not count:
            return []
        files = "1 product is" if count == 1 else f"{count} products are"
        return [f"{files} provisional, since raw frames changed; the next run makes them again"]

    @property
    def failure_lines(self) -> list[str]:
        """Failures with reasons, one line each, and the completed part of the run."""
        lines = [
            f"failed: {job}: {why or 'see the messages above'}"
            for job, why in list(self.failures.items())[:SHOWN]
        ]
        if len(self.failures) > SHOWN:
            lines.append(f"failed: {len(self.failures) - SHOWN} other jobs")
        if self.left:
            waiting = len(self.left) - len(self.failures)
            also = f", {waiting} depend on failed jobs" if waiting else ""
            lines.append(f"{self.jobs} of {self.jobs + len(self.left)} jobs done{also}")
        return lines

    @property
    def line(self) -> str:
        """The outcome in a few words."""
        subs = sum(count for nights in self.new_subs.values() for count in nights.values())
        if self.outcome == "failed":
            first = self.problem.splitlines()[0] if self.problem else "see the messages"
            return f"{self.name} failed: {first}"
        if self.outcome == "nothing new":
            return f"{self.name} nothing new"
        new = f"{subs} new sub{'' if subs == 1 else 's'}, " if subs else ""
        return f"{self.name} made ({new}{self.jobs} job{'' if self.jobs == 1 else 's'})"


@dataclass(frozen=True)
class RunOutcome:
    """The outcome of a run.

    Attributes
    ----------
    status : int
        Exit status.
    projects : sequence of ProjectOutcome
    took_s : float
    note : str
        Messages on the run as a whole.
    """

    status: int
    projects: Sequence[ProjectOutcome]
    took_s: float
    note: str = ""

    @property
    def summary(self) -> str:
        """The run in one line."""
        parts = [self.note] if self.note else []
        made = [project.line for project in self.projects if project.outcome != "nothing new"]
        still = [project.name for project in self.projects if project.outcome == "nothing new"]
        if still:
            made.append(f"nothing new in {', '.join(still)}")
        return f"{'; '.join(parts + made)} [{self.took_s:.0f} s]"

    @property
    def facts(self) -> dict[str, Any]:
        """The run as plain values."""
        return {
            "status": self.status,
            "summary": self.summary,
            "took_s": round(self.took_s, 1),
            "projects": [asdict(project) for project in self.projects],
        }

    @property
    def is_news(self) -> bool:
        """Whether something was made, or went wrong."""
        return any(project.outcome != "nothing new" for project in self.projects)


def write_line(results: Path, text: str) -> None:
    """Add a dated line to ``platelog.log``, which is rotated at 0.5 MB.

    Parameters
    ----------
    results : Path
        Folder of results.
    text : str
        Line breaks in it become blanks, and it is cut at `LINE_LETTERS`.
    """
    log = logging.Logger("platelog.runs")
    path = results / "platelog.log"
    try:
        results.mkdir(parents=True, exist_ok=True)
        handler = _RunLog(
            path,
            maxBytes=LOG_BYTES,
            backupCount=LOG_FILES,
            encoding="utf-8",
            errors="backslashreplace",
        )
        handler.setFormatter(logging.Formatter("%(asctime)s %(message)s", "%Y-%m-%d %H:%M:%S"))
        log.addHandler(handler)
        try:
            log.info("%s", _cut(printable(" ".join(text.split())), LINE_LETTERS))
        finally:
            handler.close()
    except OSError as problem:
        print(f"{path}: {problem.strerror}", file=sys.stderr)


class _RunLog(logging.handlers.RotatingFileHandler):
    """A log that reports no errors itself, since logging would print a traceback."""

    def handleError(self, record: logging.LogRecord) -> None:
        raise


def _cut(text: str, letters: int) -> str:
    return text if len(text) <= letters else f"{text[: letters - 1]}…"


def tell(program: Sequence[str], outcome: RunOutcome, folder: Path) -> str:
    """Start the user's program with the facts; return its problem, or nothing.

    Parameters
    ----------
    program : sequence of str
        Program and arguments; no shell is involved. ``{summary}`` in an argument stands for the
        summary, cut at `SUMMARY_LETTERS`. All facts come as JSON on its standard input, status and
        that summary also as the environment variables ``PLATELOG_STATUS`` and ``PLATELOG_SUMMARY``.
    outcome : RunOutcome
    folder : Path
        Where it is started: the folder that holds the results.
    """
    summary = _cut(printable(" ".join(outcome.summary.split())), SUMMARY_LETTERS)
    words = [word.replace(SUMMARY, summary) for word in program]
    env = {key: value for key, value in os.environ.items() if key != "PYTHONPATH"}
    env |= {"PLATELOG_STATUS": str(outcome.status), "PLATELOG_SUMMARY": summary}
    facts = json.dumps(outcome.facts, ensure_ascii=True)
    try:
        done = subprocess.run(
            words, input=facts, text=True, env=env, cwd=folder, timeout=PATIENCE_S
        )
    except subprocess.TimeoutExpired:
        return f"on_finish: {program[0]} was stopped after {PATIENCE_S} s"
    except (OSError, ValueError) as problem:
        why = getattr(problem, "strerror", None) or problem
        return f"on_finish: {program[0]}: {why}"
    if done.returncode:
        return f"on_finish: {program[0]} ended with status {done.returncode}"
    return ""
