"""Short progress log for Snakemake: jobs to do, progress, failures with reasons."""

import logging
import sys

from snakemake_interface_logger_plugins.base import LogHandlerBase

from platecli.text.screen import guarded
from snakemake_logger_plugin_platelog import progress
from snakemake_logger_plugin_platelog.progress import Progress
from snakemake_logger_plugin_platelog.renewal import Renewal


class LogHandler(LogHandlerBase):
    """Handler that Snakemake finds by its name; it delegates to `Progress`."""

    def __post_init__(self) -> None:
        """Write to the same stream as Snakemake would."""
        stdout = getattr(self.common_settings, "stdout", False)
        stream = sys.stdout if stdout else sys.stderr
        dry_run = getattr(self.common_settings, "dryrun", False)
        self._progress = Progress(stream, dry_run, workload=progress.EXPECTED)
        self._renewal = Renewal(self._progress.renew)

    def emit(self, record: logging.LogRecord) -> None:
        """Show one record; an error here must not stop the run."""
        try:
            self._progress.take(record)
            if self._progress.is_at_work:
                self._renewal.start()
        except Exception:
            self._say_plainly(record)

    def close(self) -> None:
        """Show the messages held back until the end."""
        try:
            self._renewal.stop()
            self._progress.finish()
        except Exception:
            logging.raiseExceptions = False
        super().close()

    def _say_plainly(self, record: logging.LogRecord) -> None:
        if record.levelno < logging.ERROR:
            return
        try:
            guarded(sys.stderr).write(f"{record.getMessage()}\n")
        except Exception:
            logging.raiseExceptions = False

    @property
    def writes_to_stream(self) -> bool:
        """Snakemake then leaves its own console output away."""
        return True

    @property
    def writes_to_file(self) -> bool:
        """Snakemake keeps its own full log in .snakemake/log."""
        return False

    @property
    def has_filter(self) -> bool:
        """Nothing is filtered before it comes here."""
        return True

    @property
    def has_formatter(self) -> bool:
        """Records come here as they are."""
        return True

    @property
    def needs_rulegraph(self) -> bool:
        """No graph is drawn."""
        return False
