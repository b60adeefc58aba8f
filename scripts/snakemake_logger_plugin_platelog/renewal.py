"""Call a function again and again while a run goes on."""

import contextlib
import threading
from collections.abc import Callable

PERIOD_S = 1.0


class Renewal:
    """A thread that calls a function each second; it ends with the process.

    Parameters
    ----------
    call
        The function; what it raises is ignored, since a line about progress must not stop a run.
    period_s
        Seconds between two calls.
    """

    def __init__(self, call: Callable[[], None], period_s: float = PERIOD_S) -> None:
        self._call, self._period_s = call, period_s
        self._ended = threading.Event()
        self._thread: threading.Thread | None = None

    def start(self) -> None:
        """Begin, unless it has begun or ended already."""
        if self._thread is None and not self._ended.is_set():
            self._thread = threading.Thread(target=self._repeat, daemon=True)
            self._thread.start()

    def stop(self) -> None:
        """End, and wait for a call that is under way, but not for long."""
        self._ended.set()
        if self._thread is not None:
            self._thread.join(2 * self._period_s)

    def _repeat(self) -> None:
        while not self._ended.wait(self._period_s):
            with contextlib.suppress(Exception):
                self._call()
