"""Handle signals in the process of Snakemake, and end its jobs.

A signal handler runs in the main thread, in the middle of whatever that does: Snakemake's own waits
for a lock that the interrupted frame may hold. So the handlers do nothing, and a thread that hears
of each signal ends the jobs and then the process.
"""

import atexit
import contextlib
import os
import signal
import sys
import threading
from collections.abc import Callable
from types import FrameType
from typing import NoReturn

from platecli.execution import stopping
from platelog import STOPPED
from snakemake_logger_plugin_platelog.progress import INTERRUPTED

PATIENCE_S = 5.0
"""Time that jobs and progress lines have to end; then the kernel ends all."""


class Ears:
    """A thread that receives signals while the main thread is blocked.

    Parameters
    ----------
    end_server
        Ends the process that forks jobs, and waits for it, at most the given seconds.

    Attributes
    ----------
    ends_at_once : bool
        Whether a signal ends this process. If jobs on other machines must be cancelled, the main
        thread is interrupted instead.
    """

    def __init__(self, end_server: Callable[[float], None]) -> None:
        self.ends_at_once = True
        self._end_server = end_server
        ears, mouth = os.pipe()
        os.set_blocking(mouth, False)
        signal.set_wakeup_fd(mouth, warn_on_full_buffer=False)
        for number in stopping.heeded():
            signal.signal(number, self._interrupt)
        threading.Thread(target=self._listen, args=(ears,), name="ears", daemon=True).start()
        stopping.release()

    def _interrupt(self, number: int, frame: FrameType | None) -> None:
        """Interrupt the main thread once, if it is responsible for the end."""
        if not self.ends_at_once and number == signal.SIGINT and not self._interrupted:
            self._interrupted = True
            end_others()
            raise KeyboardInterrupt

    _interrupted = False

    def _listen(self, ears: int) -> None:
        while os.read(ears, 64):
            INTERRUPTED.set()
            if self.ends_at_once:
                self._end()

    def _end(self) -> NoReturn:
        """End the jobs and this process while its other threads continue."""
        limit = threading.Timer(PATIENCE_S, _end_all)
        limit.daemon = True
        limit.start()
        end_others()
        self._end_server(PATIENCE_S)
        atexit._run_exitfuncs()  # closes the progress lines and removes temporary files
        for stream in (sys.stdout, sys.stderr):
            with contextlib.suppress(OSError, ValueError):
                stream.flush()
        os._exit(STOPPED)


def end_others() -> None:
    """End all other processes of the group, if this one leads it.

    This process has a handler for the signal; the others have none.
    """
    if os.getpgrp() == os.getpid():
        os.killpg(os.getpid(), signal.SIGTERM)


def _end_all() -> NoReturn:
    if os.getpgrp() == os.getpid():
        os.killpg(os.getpid(), signal.SIGKILL)
    os._exit(STOPPED)
