"""Measure the process of a job, and write the figures as Snakemake writes its benchmark files."""

import contextlib
import os
import threading
import time
from collections.abc import Iterator
from pathlib import Path

COLUMNS = ["s", "h:m:s", "max_rss", "max_vms", "max_uss", "max_pss", "io_in", "io_out"]
COLUMNS += ["mean_load", "cpu_time"]
"""Seconds, memory in MiB, MiB read and written, per cent of one processor, processor seconds."""

_FIRST_LOOK_S, _RARER, _LOOK_AT_LEAST_EVERY_S = 1.0, 2.0, 30.0
"""When a running job is looked at."""

_MIB = 1024.0**2
_TICKS_PER_S = os.sysconf("SC_CLK_TCK")


class JobMeter:
    """The largest figures of a process so far.

    Parameters
    ----------
    pid
        The process.
    proc
        Mount point of the proc file system.
    """

    def __init__(self, pid: int, proc: Path = Path("/proc")) -> None:
        self._place = proc / str(pid)
        self._start = time.monotonic()
        self._most: dict[str, float] = {}

    def look(self) -> None:
        """Read the figures of the process; a process that has ended leaves them as they are."""
        with contextlib.suppress(OSError, ValueError, IndexError, KeyError):
            self._keep(self._cpu_and_size())
            self._keep(self._peak())
            self._keep(self._memory())
            self._keep(self._transferred())  # which another user may not see

    def row(self) -> dict[str, str]:
        """Return the figures by column; ``NA`` where the process was never seen."""
        seconds = time.monotonic() - self._start
        minutes, whole = divmod(int(seconds), 60)
        figures = dict(self._most, s=seconds)
        if "cpu_time" in figures:
            figures["mean_load"] = 100.0 * figures["cpu_time"] / max(seconds, 1e-3)
        row = {name: f"{figures[name]:.2f}" if name in figures else "NA" for name in COLUMNS}
        row["h:m:s"] = f"{minutes // 60}:{minutes % 60:02d}:{whole:02d}"
        return row

    def _keep(self, figures: dict[str, float]) -> None:
        for name, value in figures.items():
            self._most[name] = max(value, self._most.get(name, 0.0))

    def _cpu_and_size(self) -> dict[str, float]:
        # The second field, the name, may hold anything; after its bracket stands the third.
        fields = (self._place / "stat").read_text("utf-8", "replace").rpartition(")")[2].split()
        user, system, size = (int(fields[k]) for k in (11, 12, 20))
        return {"cpu_time": (user + system) / _TICKS_PER_S, "max_vms": size / _MIB}

    def _peak(self) -> dict[str, float]:
        # The kernel keeps it, so no peak between two looks is missed.
        return {"max_rss": _figures(self._place / "status")["VmHWM"] / 1024.0}

    def _memory(self) -> dict[str, float]:
        kib = _figures(self._place / "smaps_rollup")
        unique = kib["Private_Clean"] + kib["Private_Dirty"]
        return {"max_uss": unique / 1024.0, "max_pss": kib["Pss"] / 1024.0}

    def _transferred(self) -> dict[str, float]:
        bytes_ = _figures(self._place / "io")
        return {"io_in": bytes_["read_bytes"] / _MIB, "io_out": bytes_["write_bytes"] / _MIB}


def _figures(path: Path) -> dict[str, float]:
    """Return the numbers of a file with a name and a number per line."""
    lines = (line.partition(":") for line in path.read_text("utf-8", "replace").splitlines())
    words = ((name, rest.split()) for name, _, rest in lines)
    return {name: float(rest[0]) for name, rest in words if rest and rest[0].isdigit()}


@contextlib.contextmanager
def measured(pid: int, path: str | Path | None) -> Iterator[None]:
    """Measure a process and write its figures to a file once the block has ended.

    Reading the figures of a process that maps a night of raw frames takes some 30 ms, so readings
    become rarer. The last reading comes at the end: most steps are short.

    Parameters
    ----------
    pid
        A process that exists until the block ends.
    path
        The file; None measures nothing.

    Raises
    ------
    OSError
        If the file cannot be written.
    """
    if path is None:
        yield
        return
    meter, ended = JobMeter(pid), threading.Event()

    def look_again() -> None:
        pause = _FIRST_LOOK_S
        while not ended.wait(pause):
            meter.look()
            pause = min(_RARER * pause, _LOOK_AT_LEAST_EVERY_S)

    thread = threading.Thread(target=look_again, daemon=True)
    thread.start()
    try:
        yield
    finally:
        ended.set()
        thread.join()
        meter.look()
    row = meter.row()
    lines = ("\t".join(COLUMNS), "\t".join(row[name] for name in COLUMNS), "")
    Path(path).write_text("\n".join(lines), encoding="utf-8")
