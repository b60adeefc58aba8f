"""One run at a time in a results folder."""

import fcntl
from pathlib import Path
from typing import IO

_held: list[IO[str]] = []


def hold_run_lock(results: str | Path) -> None:
    """Hold the lock of a results folder until this process ends, however it ends.

    Raises
    ------
    SystemExit
        With a sentence, if another run holds it.
    """
    folder = Path(results)
    folder.mkdir(parents=True, exist_ok=True)
    stream = open(folder / ".run.lock", "a")  # noqa: SIM115 - held open for the life of the process
    try:
        fcntl.flock(stream, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        stream.close()
        msg = f"another run is at work in {folder.absolute()}; wait for its end, or stop it"
        raise SystemExit(msg) from None
    _held.append(stream)
