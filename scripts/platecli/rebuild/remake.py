"""Make a product again from its record, in a separate folder."""

import shutil
import sys
import time
from collections.abc import Iterable, Sequence
from pathlib import Path

from platecli.execution.engine import memory_limit_mb
from platecli.rebuild.task_runner import run_tasks
from platefiles.audit.raw_search import MISSING, RawFrame, find_raw, folders_beside
from platefiles.audit.replay_plan import WORK, lay_links, remaking, write_texts
from platefiles.core.errors import UserError
from platefiles.provenance.activities import Record

_TELL_S = 10.0


def find_frames(file: Path, record: Record, folders: Sequence[Path]) -> list[RawFrame]:
    """Find the raw frames of a record in folders, by default in those of its run.

    Raises
    ------
    UserError
        If none of them is found.
    """
    searched = list(folders) or folders_beside(file)
    frames = list(find_raw(record.raws.values(), searched).values())
    if all(frame.state == MISSING for frame in frames):
        where = ", ".join(map(str, searched)) or "no folder is known"
        msg = (
            f"none of the {len(frames)} raw frames of {file} is found ({where}); "
            "name the folder that they lie in with --raw"
        )
        raise UserError(msg)
    return frames


def make_again(
    record: Record,
    frames: Iterable[RawFrame],
    folder: Path,
    cores: int,
    memory_gb: float | None = None,
) -> Path:
    """Run every step of a record in a folder; return the path of the last product.

    Parameters
    ----------
    record : Record
    frames : iterable of RawFrame
    folder : Path
        An empty folder; it receives all products, and no scripts.
    cores : int
    memory_gb : float, optional
        Memory that the steps may take together; three quarters of the machine's by default.

    Raises
    ------
    UserError
        If a step fails.
    """
    plan = remaking(record, folder)
    lay_links(frames, folder)
    write_texts(record, folder)
    tell = _Progress(len(plan.tasks))
    run_tasks(plan.tasks, plan.needs, cores, folder / WORK, tell, memory_limit_mb(memory_gb))
    shutil.rmtree(folder / WORK)
    return Path(plan.tasks[record.making.product].output)


class _Progress:
    """A progress line on standard error, at most every ten seconds."""

    def __init__(self, total: int):
        self._total, self._done, self._told = total, 0, time.monotonic()

    def __call__(self, name: str) -> None:
        self._done += 1
        now = time.monotonic()
        if now - self._told > _TELL_S and self._done < self._total:
            print(f"[{self._done}/{self._total}] {name}", file=sys.stderr, flush=True)
            self._told = now
