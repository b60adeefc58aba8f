"""Turn Snakemake's log events into a few lines for a person."""

import logging
import re
import threading
import time
from collections.abc import Callable
from typing import Any, TextIO

from platecli.text.screen import Console, console_width, cut_at_word, folded, guarded
from platefiles.core.safe_names import printable
from snakemake_logger_plugin_platelog.reasons import (
    missing_input,
    project_in,
    protected_output,
    reason_in_logs,
    refused_by_system,
    shortened,
    without_number,
)
from snakemake_logger_plugin_platelog.time_left import TimeLeft, Work, Workload, counted
from snakemake_logger_plugin_platelog.words import duration, in_words, job_name, plain, rounded

TARGETS = frozenset({"all", "channels", "picture", "field"})
"""Rules that only gather the files of others."""

QUIET_S, RENEW_S = 10.0, 30.0
"""Where the output is not a terminal: least time between two lines, and time after which a line is
written again though the same jobs are running."""

_RENEW_SHARE = 0.05
"""A line is written again after this fraction of the time left that it displays."""

_DRIFT, _LEAST_DRIFT_S = 0.25, 5.0
"""A displayed time left is wrong if its error exceeds both this fraction and these seconds."""

_NAMED = 3
"""Running jobs that a line names where the output is not a terminal."""

INTERRUPTED = threading.Event()
"""Set by who starts Snakemake when the user presses Ctrl-C: what fails then is no failure."""

EXPECTED: Workload | None = None
"""Set by who starts Snakemake and knows the jobs of the run."""

# Said by Snakemake after a job has failed, and no news to who has read the line on that job.
ECHOES = (
    "Exiting because a job execution failed",
    "RuleException",
    "CalledProcessError",
    "At least one job did not complete successfully",
    "Failed to set marker file for job started",
)

_USUAL_WIDTH = 80
"""Columns of a terminal that does not tell."""

_SNAKEMAKE = re.compile(r"-packages[/\\]snakemake(_interface_\w+)?[/\\]")
"""Where a record's file lies if Snakemake or what it shares with its plugins has written it."""

_OF_SYSTEM = re.compile(r"\[Errno \d+\] (.+)")


class Progress:
    """The progress of a run, printed on a stream.

    Parameters
    ----------
    stream
        Where the lines go: a `Console`, or a plain stream, which is made one. On a terminal the
        progress is one line that is written over.
    dry_run
        List the jobs in place of their progress.
    clock
        Seconds, rising; replaced in tests.
    workload
        The jobs of the run, where who starts it knows them.
    """

    def __init__(
        self,
        stream: TextIO | Console,
        dry_run: bool = False,
        clock: Callable[[], float] = time.monotonic,
        workload: Workload | None = None,
    ) -> None:
        self._stream, self._dry_run, self._clock = guarded(stream), dry_run, clock
        self._terminal = stream.isatty()
        self._lock = threading.RLock()  # records and renewals come in threads of their own
        self._start = self._last_line = clock()
        self._workload, self._cores = workload or Workload(), 0
        self._left = TimeLeft(self._workload)
        self._works: dict[int, str] = {}  # what the estimate calls each job
        self._jobs: dict[int, str] = {}
        self._running: dict[int, str] = {}
        self._planned = self._done = 0
        self._failed: set[str] = set()
        self._held: list[str] = []
        self._echoes: list[str] = []
        self._of_system = ""  # what the system refused to Snakemake itself
        self._begun = self._listed = self._finished = False
        self._standing = ""  # the line that is written over
        self._told: tuple[int, tuple[str, ...]] = (0, ())  # jobs done and running, on the last line
        self._told_end = 0.0  # when the run ends by the last line

    @property
    def is_at_work(self) -> bool:
        """Whether there are running jobs to name."""
        return bool(self._running) and not self._dry_run

    def take(self, record: logging.LogRecord) -> None:
        """Show one log record, or nothing."""
        with self._lock:
            self._take(record)

    def _take(self, record: logging.LogRecord) -> None:
        event = str(getattr(record, "event", None) or "")
        handle = getattr(self, f"_on_{event}", None)
        if handle is not None:
            handle(record)
        elif event in ("", "error"):
            self._on_message(record)

    def finish(self) -> None:
        """Close the progress line and sum up the failures; once, however often it is called."""
        with self._lock:
            self._finish()

    def renew(self) -> None:
        """Write the progress line again where it is not true any more; called each second.

        A terminal always shows the present state. Elsewhere a line follows the last one after
        `QUIET_S` at the earliest, if other jobs are running or its time left has proved wrong, and
        after `RENEW_S` otherwise. It is not written in the moment between two jobs, so it always
        names what is running.
        """
        with self._lock:
            if self._finished or not self.is_at_work or INTERRUPTED.is_set():
                return
            now = self._clock()
            if self._terminal:
                self._show()
            elif now - self._last_line >= QUIET_S and self._is_old(now):
                left_s = self._left.shown(now)
                self._told, self._told_end = self._at_work(), now + left_s
                self._line(self._state(now))

    def _at_work(self) -> tuple[int, tuple[str, ...]]:
        return self._done, tuple(self._running.values())

    def _is_old(self, now: float) -> bool:
        """Return whether the last line is not true any more."""
        left_s = self._left.shown(now)
        return (
            self._told != self._at_work()
            or abs(now + left_s - self._told_end) > max(_DRIFT * left_s, _LEAST_DRIFT_S)
            or now - self._last_line >= max(RENEW_S, _RENEW_SHARE * left_s)
        )

    def _finish(self) -> None:
        if self._finished:
            return
        self._finished = True
        if self._planned and not self._dry_run:
            self._show(final=True)
        if not self._begun:  # lint, unlock, lists: other uses of Snakemake, which only speak
            for text in self._held:
                self._line(text)
        if INTERRUPTED.is_set():  # the process that waits for Snakemake reports it
            return
        if self._failed:
            what = "1 job" if len(self._failed) == 1 else f"{len(self._failed)} jobs"
            self._line(
                f"{what} failed, {self._done} done. After the cause is removed, "
                "the same command resumes."
            )
        else:
            for text in self._echoes:
                self._line(text)

    def _on_workflow_started(self, record: logging.LogRecord) -> None:
        self._begun = True

    def _on_run_info(self, record: logging.LogRecord) -> None:
        self._begun = True
        stats = dict(getattr(record, "stats", None) or {})
        counts = {
            rule: int(n) for rule, n in stats.items() if rule != "total" and rule not in TARGETS
        }
        self._planned = sum(counts.values())
        if not self._workload.jobs and not self._works:
            cores = self._cores or self._workload.cores
            self._left = TimeLeft(Workload(counted(counts.items()), cores=cores))
        if self._listed:
            return  # a dry run says it once more at its end
        self._listed = True
        parts = [plain(rule) + (f" x {n}" if n > 1 else "") for rule, n in counts.items()]
        if parts:
            jobs = "1 job" if self._planned == 1 else f"{self._planned} jobs"
            self._line(f"To do: {jobs}: {', '.join(parts)}")

    def _on_resources_info(self, record: logging.LogRecord) -> None:
        cores = getattr(record, "cores", None)
        if isinstance(cores, int):
            self._cores = cores

    def _on_job_info(self, record: logging.LogRecord) -> None:
        fields: Any = record
        if fields.rule_name in TARGETS:
            return
        name = job_name(fields.rule_name, dict(getattr(record, "wildcards", None) or {}))
        self._jobs[fields.jobid] = name
        if self._dry_run:
            why = in_words(" ".join(str(getattr(record, "reason", "") or "").split()))
            self._line(f"  {name}" + (f"  ({shortened(why, 100)})" if why else ""))
        else:  # Snakemake says this when the job starts
            self._running[fields.jobid] = name
            self._expect(fields)
            self._show()

    def _expect(self, fields: Any) -> None:
        """Notify the estimate that a job starts, by its product where the workload lists that."""
        rule, paths = (
            fields.rule_name,
            [str(path) for path in getattr(fields, "output", None) or []],
        )
        known = next((path for path in paths if path in self._workload.jobs), "")
        number = sum(name.startswith(f"{rule} ") for name in self._works.values())
        name = self._works.setdefault(fields.jobid, known or f"{rule} {number}")
        threads = getattr(fields, "threads", None)
        work = Work(rule, 1.0, threads if isinstance(threads, int) else 1)
        self._left.start(name, work, self._clock())

    def _on_job_finished(self, record: logging.LogRecord) -> None:
        jobid = getattr(record, "job_id", None)
        if jobid in self._jobs:
            self._done += 1
            self._running.pop(jobid, None)
            self._left.finish(self._works.get(jobid, ""), self._clock())
        self._show()

    def _on_job_error(self, record: logging.LogRecord) -> None:
        fields: Any = record
        self._running.pop(fields.jobid, None)
        self._left.fail(self._works.get(fields.jobid, ""))
        if INTERRUPTED.is_set():
            return
        name = self._jobs.get(fields.jobid) or plain(fields.rule_name)
        logs = [str(path) for path in getattr(record, "log", None) or []]
        aux = dict(getattr(record, "aux", None) or {})
        told = str(getattr(record, "rule_msg", None) or self._of_system)
        why = reason_in_logs(logs) or without_number(told)
        where = ", ".join(logs + [str(v) for k, v in aux.items() if "log" in k])
        self._failed.add(name)
        self._line(f"FAILED: {name}" + (f": {why}" if why else ""))
        if where:
            self._line(f"        log: {where}")

    def _on_group_error(self, record: logging.LogRecord) -> None:
        for info in getattr(record, "job_error_info", None) or []:
            logs = [str(path) for path in info.get("log") or []]
            name = f"{plain(str(info.get('rule_name')))} {project_in(logs)}".rstrip()
            self._failed.add(f"{name} {info.get('jobid')}")
            self._line(f"FAILED: {name}: {reason_in_logs(logs) or 'see its log'}")
            self._line(f"        log: {', '.join(logs)}")

    def _on_message(self, record: logging.LogRecord) -> None:
        text = record.getMessage().strip()
        if text in ("", "None"):
            return
        # Snakemake's own notes and warnings are for who writes workflows; ours are for users.
        ours = _SNAKEMAKE.search(record.pathname) is None
        if record.levelno >= logging.ERROR:
            missing = missing_input(text)
            if missing:
                self._failed.add(f"{missing[0]} {missing[1]}")
                self._line(f"FAILED: {plain(missing[0])}: {missing[1]}")
            elif known := protected_output(text) or refused_by_system(text):
                self._line(known)
            elif any(echo in text[:400] for echo in ECHOES):
                self._echoes.append(text)
                found = _OF_SYSTEM.search(text)
                self._of_system = found[1] if found else ""
            else:
                self._line(text)
        elif ours and record.levelno >= logging.INFO:
            self._line(text)
        elif text.startswith("Nothing to be done"):
            self._line("Nothing new to do.")
        elif not self._begun and record.levelno >= logging.INFO:
            self._held.append(text)

    def _show(self, final: bool = False) -> None:
        """Write the line of a terminal, or the last line of a run."""
        if self._dry_run or not self._planned:
            return
        now = self._clock()
        if final:
            self._erase()
            if self._done:
                self._line(f"{self._counts()} done in {duration(now - self._start)}")
        elif self._terminal and self._running:
            width = console_width(self._stream) or _USUAL_WIDTH
            text = cut_at_word(printable(self._state(now)), width - 1)
            if text != self._standing:
                self._erase()
                self._stream.write(text)
                self._stream.flush()
                self._standing = text

    def _counts(self) -> str:
        return f"[{self._done}/{max(self._planned, self._done)}]"

    def _state(self, now: float) -> str:
        left = max(self._planned - self._done, 0)
        parts = [self._counts()]
        if left and (self._done or self._workload.factors):
            parts.append(f"about {rounded(self._left.shown(now))} left")
        names = list(self._running.values())  # the one that has run longest first
        if not self._terminal and len(names) > _NAMED + 1:
            names[_NAMED:] = [f"{len(names) - _NAMED} more"]
        return "  ".join([*parts, ", ".join(names)])

    def _line(self, text: str) -> None:
        self._erase()
        width = console_width(self._stream)
        for line in text.split("\n"):
            self._stream.write("\n".join(folded(printable(line), width)) + "\n")
        self._stream.flush()
        self._last_line = self._clock()

    def _erase(self) -> None:
        if self._standing:
            self._stream.erase_line()
            self._standing = ""
