"""Kills and signals at random moments of runs; each run goes on from where the last one stopped."""

import contextlib
import os
import random
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator

from campaign_table import Row, Setting
from small_project import SmallProject, Started, jargon

ENDS_WITHIN_S = 10.0
"""Time in which a run ends where nothing else is at work; a load makes it longer in proportion."""

HANG_S = 600.0
"""Time after which a run is taken to hang."""

GONE_WITHIN_S = 60.0
"""Time in which the processes of an ended run are gone; they are looked for all the while."""

STOPPED = 130
_BUSY = 8


def kills(count: int, setting: Setting) -> None:
    """Kill runs with all their jobs; what has the name of a product must be whole each time."""
    _stopped(setting.row("killed"), count, setting, _kill)


def signals(count: int, setting: Setting) -> None:
    """Send one, two or three signals, to an idle machine and to a busy one in turn."""
    _stopped(setting.row("signalled"), count, setting, _signal)


def _stopped(
    row: Row, count: int, setting: Setting, stop: Callable[[Started, random.Random, int], str]
) -> None:
    """Stop runs until there were as many as asked for; runs that end by themselves do not count."""
    project = setting.clean.copied(setting.folder / "stopped", finished=False)
    whole, starts, waiting = False, 0, 0
    while row.tried < count or not whole:
        chance, starts = setting.chance(row.name, starts), starts + 1
        if row.tried < count and not whole:
            last_s = setting.takes_s * chance.choice((0.1, 0.4, 1.0))
            with Started(project) as run, _load(row.tried % 2 == 1 and stop is _signal):
                run.wait_until_begun()
                time.sleep(chance.random() * last_s)
                problem = stop(run, chance, row.tried) if run.process.poll() is None else ""
                status, said = run.end(HANG_S)
                if status:  # else it came too late
                    row.count(problem or _left_behind(project, run, setting), healed=False)
                    waiting += 1
                    continue
        else:
            status, said = project.run()
        whole = status == 0
        if not whole:
            row.wrong(f"a run by itself ended with {status}: {said[-600:]}")
            break
        if (problem := setting.not_as_clean(project)) != "":
            row.wrong(f"after a run to its end: {problem}")
            break
        row.healed, waiting = row.healed + waiting, 0
        if row.tried < count:
            project = setting.clean.copied(setting.folder / "stopped", finished=False)
            whole = False


def _kill(run: Started, chance: random.Random, number: int) -> str:
    run.kill()
    return ""


def _signal(run: Started, chance: random.Random, number: int) -> str:
    begin = time.monotonic()
    for _ in range(1 + number % 3):
        kind = chance.choice((signal.SIGINT, signal.SIGINT, signal.SIGTERM, signal.SIGHUP))
        with contextlib.suppress(ProcessLookupError):
            if kind == signal.SIGINT:
                os.killpg(run.process.pid, kind)  # as a terminal does
            else:
                os.kill(run.process.pid, kind)
        time.sleep(chance.choice((0.0, 0.001, 0.05, 0.5)))
    try:
        status, said = run.end(HANG_S)
    except subprocess.TimeoutExpired:
        run.kill()
        return "it hangs"
    took_s = time.monotonic() - begin
    if status not in (0, STOPPED):
        return f"status {status}: {said[-400:]}"
    if took_s > ENDS_WITHIN_S * max(1.0, os.getloadavg()[0]):
        return f"it took {took_s:.1f} s"
    if word := jargon(said):
        return f"{word}: {said[-2000:]}"
    if not said.endswith("Stopped; the same command resumes.\n"):
        return f"it said {said[-400:]!r}"
    return ""


def _left_behind(project: SmallProject, run: Started, setting: Setting) -> str:
    """Return what a stopped run has left that it should not, or an empty text."""
    deadline = time.monotonic() + GONE_WITHIN_S
    while (left := run.left()) and time.monotonic() < deadline:
        time.sleep(0.02)
    if left:
        return f"{len(left)} processes went on"
    if held := project.locks_held():
        return f"{', '.join(held)} held"
    other = project.made().items() - setting.expected.items()
    return f"half or other products: {sorted(name for name, _ in other)}" if other else ""


@contextlib.contextmanager
def _load(wanted: bool) -> Iterator[None]:
    """Keep all processors busy for a while."""
    as_long_as_we = f"import os\nwhile os.getppid() == {os.getpid()}: pass"
    words = [sys.executable, "-c", as_long_as_we]
    busy = [subprocess.Popen(words) for _ in range(_BUSY if wanted else 0)]
    try:
        yield
    finally:
        for process in busy:
            process.kill()
            process.wait()
