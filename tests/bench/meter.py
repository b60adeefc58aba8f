"""What a command costs, measured from outside: time, processor, private memory, files.

Processor time is what the kernel counted for the command and all processes that it or they waited
for. Memory and files are looked at from time to time, for all processes of the command's session.

Private memory is what would not be there without the command: anonymous pages (heap, stack, private
copies), wherever they are, and pages of mapped files that were changed and are not on the disk yet.
A page that n processes share counts 1/n in each, so forks are not counted twice; pages of mapped
files that can be read again do not count, nor do the buffers of the kernel.

The kernel needs long to tell what is shared and what is changed, so that is asked each second and
whenever a process has come or gone. In between, every 50 ms, the anonymous pages of all processes
are added up, less what is then counted more than once. Shorter peaks are missed. It needs Linux
5.19 or newer; before, changed pages of files are left out and shared pages count for each process.
Elsewhere memory is 0.
"""

import contextlib
import os
import signal
import subprocess
import threading
import time
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from platefiles.core.errors import UserError

MEMORY_PERIOD_S = 0.05
PAGES_PERIOD_S = 1.0
FILES_PERIOD_S = 0.5
_PROC = Path("/proc")
_LAST_LINES = 15
_GRACE_S = 20.0


@dataclass(frozen=True)
class Usage:
    """What one run of a command cost.

    Attributes
    ----------
    wall_s, cpu_s : float
        Time, and processor time of user and system of all its processes.
    private_bytes : int
        Peak of private memory.
    anonymous_bytes : int
        Peak of its anonymous part.
    look_s : float
        Mean time between two looks at memory.
    file_bytes : dict of str to int
        Peak of the bytes in its files, by kind.
    """

    wall_s: float
    cpu_s: float
    private_bytes: int
    anonymous_bytes: int
    look_s: float
    file_bytes: dict[str, int]


@dataclass(frozen=True)
class Memory:
    """Private memory, bytes.

    Attributes
    ----------
    anonymous : int
        Anonymous pages, each by the share of the process in it.
    changed : int
        Pages of files that are not on the disk yet.
    repeated : int
        By how much the anonymous pages are more if the shares of others are not taken off.
    """

    anonymous: int = 0
    changed: int = 0
    repeated: int = 0

    def __add__(self, other: "Memory") -> "Memory":
        """Add up processes."""
        return Memory(
            self.anonymous + other.anonymous,
            self.changed + other.changed,
            self.repeated + other.repeated,
        )


@dataclass(frozen=True)
class Command:
    """A command to be measured.

    Attributes
    ----------
    words : sequence of str
        Program and arguments.
    folder : pathlib.Path
        Folder of all its files; temporary ones go there too.
    kinds : dict of str to str
        Kind of the files below a place in `folder`, such as ``{"masters/": "masters"}``; files
        elsewhere are "scratch".
    """

    words: Sequence[str]
    folder: Path
    kinds: Mapping[str, str]


def measure(command: Command) -> Usage:
    """Run a command in a session of its own and measure it.

    Parameters
    ----------
    command
        What to run; its output goes to ``output.log`` in its folder.

    Raises
    ------
    UserError
        If it fails, with the last lines of its output.
    """
    temporary = command.folder / "tmp"
    temporary.mkdir(parents=True, exist_ok=True)
    log = command.folder / "output.log"
    env = os.environ | {"TMPDIR": str(temporary)}
    with log.open("wb") as output:
        start = time.perf_counter()
        process = subprocess.Popen(
            command.words,
            stdin=subprocess.DEVNULL,
            stdout=output,
            stderr=subprocess.STDOUT,
            env=env,
            start_new_session=True,
        )
        watcher = _Watcher(process.pid, command)
        watcher.start()
        try:
            _, status, resources = os.wait4(process.pid, 0)
            wall_s = time.perf_counter() - start
            process.returncode = os.waitstatus_to_exitcode(status)
        finally:
            watcher.stop()
            if process.returncode is None:
                _end(process)
    if process.returncode != 0:
        last = "\n".join(log.read_text(errors="replace").splitlines()[-_LAST_LINES:])
        msg = f"{' '.join(command.words)} failed with status {process.returncode}:\n{last}"
        raise UserError(msg)
    cpu_s = resources.ru_utime + resources.ru_stime
    return Usage(
        wall_s,
        cpu_s,
        watcher.private_bytes,
        watcher.anonymous_bytes,
        wall_s / max(watcher.looks, 1),
        watcher.file_bytes,
    )


def _end(process: subprocess.Popen[bytes]) -> None:
    """End a command that is no longer waited for, and what it started."""
    process.terminate()
    with contextlib.suppress(subprocess.TimeoutExpired):
        process.wait(_GRACE_S)
    for pid in Session(process.pid).members():
        with contextlib.suppress(ProcessLookupError):
            os.kill(pid, signal.SIGKILL)
    process.wait()


class Session:
    """The processes of a session; those known to be of others are not asked again."""

    def __init__(self, leader: int) -> None:
        self._leader = leader
        self._others: set[int] = set()

    def members(self) -> list[int]:
        """Return the ids of the processes that are in the session now."""
        found = (
            {int(name) for name in os.listdir(_PROC) if name.isdigit()} if _has_proc() else set()
        )
        self._others &= found
        members = []
        for pid in sorted(found - self._others):
            if _session(pid) == self._leader:
                members.append(pid)
            else:
                self._others.add(pid)
        return members


class _Watcher:
    """A thread that keeps the peaks of memory and files."""

    def __init__(self, pid: int, command: Command) -> None:
        self.private_bytes = self.anonymous_bytes = 0
        self.looks = 0
        self._members: list[int] = []
        self._pages = Memory()
        self._pages_due = 0.0
        self.file_bytes: dict[str, int] = {}
        self._session = Session(pid)
        self._command = command
        self._done = threading.Event()
        self._thread = threading.Thread(target=self._watch, daemon=True)

    def start(self) -> None:
        """Begin to watch."""
        self._thread.start()

    def stop(self) -> None:
        """Look at the files for the last time and stop."""
        self._done.set()
        self._thread.join()
        self._look_at_files()

    def _watch(self) -> None:
        files_due = 0.0
        while not self._done.wait(MEMORY_PERIOD_S):
            self._look_at_memory()
            if time.monotonic() > files_due:
                self._look_at_files()
                files_due = time.monotonic() + FILES_PERIOD_S

    def _look_at_memory(self) -> None:
        self.looks += 1
        members = self._session.members()
        if members != self._members or time.monotonic() > self._pages_due:
            self._pages = sum((memory(pid) for pid in members), Memory())
            self._members, self._pages_due = members, time.monotonic() + PAGES_PERIOD_S
        anonymous = sum(_sizes(pid, "status").get("RssAnon", 0) for pid in members)
        anonymous -= self._pages.repeated
        self.anonymous_bytes = max(self.anonymous_bytes, anonymous)
        self.private_bytes = max(self.private_bytes, anonymous + self._pages.changed)

    def _look_at_files(self) -> None:
        for kind, count in bytes_by_kind(self._command.folder, self._command.kinds).items():
            self.file_bytes[kind] = max(self.file_bytes.get(kind, 0), count)


def memory(pid: int) -> Memory:
    """Return the private memory of a process, nothing if there is no such process.

    Parameters
    ----------
    pid
        Its id.

    References
    ----------
    Linux kernel documentation, filesystems/proc.rst: ``Pss_Anon`` and ``Pss_Dirty`` of
    ``smaps_rollup`` are proportional to the processes that share a page, ``Anonymous`` is not.
    """
    sizes = _sizes(pid, "smaps_rollup")
    if "Pss_Dirty" in sizes:
        own, dirty = sizes["Pss_Anon"], sizes["Pss_Dirty"]
        return Memory(own, max(0, dirty - own), sizes["Anonymous"] - own)
    return Memory(_sizes(pid, "status").get("RssAnon", 0))


def _sizes(pid: int, name: str) -> dict[str, int]:
    """Return what a file of /proc says in kB, in bytes."""
    try:
        lines = (_PROC / str(pid) / name).read_text(errors="replace").splitlines()
    except OSError:
        return {}
    words = [line.replace(":", " ").split() for line in lines]
    return {parts[0]: int(parts[1]) * 1024 for parts in words if parts[2:] == ["kB"]}


def bytes_by_kind(folder: Path, kinds: Mapping[str, str]) -> dict[str, int]:
    """Return the bytes in the regular files of a folder by kind; links do not count.

    Parameters
    ----------
    folder
        Where to look, at any depth.
    kinds
        As in `Command`.
    """
    counts = dict.fromkeys((*kinds.values(), "scratch"), 0)
    for place, _, names in os.walk(folder):
        for name in names:
            path = os.path.join(place, name)
            below = os.path.relpath(path, folder)
            kind = next(
                (kind for start, kind in kinds.items() if below.startswith(start)), "scratch"
            )
            with contextlib.suppress(FileNotFoundError):
                counts[kind] += 0 if os.path.islink(path) else os.lstat(path).st_size
    return counts


def _session(pid: int) -> int | None:
    """Return the session of a process, or None if there is no such process."""
    try:
        return os.getsid(pid)
    except OSError:
        return None


def _has_proc() -> bool:
    return (_PROC / "self" / "status").exists()
