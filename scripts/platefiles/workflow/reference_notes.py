"""Checks of the lock file, which is written once for a project.

It is no later run's to write, so a run tells of a change and leaves the file to its owner. Only
what is still as a run wrote it, while a raw frame was changing, is taken back.
"""

import os
from contextlib import suppress
from pathlib import Path

from platefiles.config.lock_file import NEW_GRID, REMEDY, read_lock
from platefiles.core.errors import UserError
from platefiles.core.hashing import file_sha256
from platefiles.core.provisional import PROVISIONAL
from platefiles.plan.paths import grid_log
from platefiles.plan.project_plan import ProjectPlan
from platefiles.provenance.job_notes import read_note


def lock_doubt(plan: ProjectPlan) -> str:
    """Return a warning if a lock file was changed since a run wrote it; empty if not, or unknown.

    Parameters
    ----------
    plan : ProjectPlan
        The working directory must be the one that its results lie in.
    """
    path = plan.paths.lock
    note = read_note(grid_log(plan.paths))
    with suppress(UserError):  # an unreadable file was changed, too
        lock = read_lock(Path(path))
        if lock is not None and lock.crop is None:  # the run writes it again
            return ""
    if note is None or not os.path.isfile(path) or file_sha256(path) == note.sha256:
        return ""
    return (
        f"{path}: was changed after the grid was chosen; the run uses its present "
        f"content. If you did not change it, {REMEDY}"
    )


def drop_provisional_grid(plan: ProjectPlan) -> bool:
    """Delete a provisional lock file, so that the grid is chosen again.

    A lock file is provisional if the grid was chosen while a raw frame differed from its scan
    (`platefiles.core.provisional`), nothing was pinned before, and the file is unchanged since.

    Returns
    -------
    bool
        Whether a file was deleted.
    """
    note, path = read_note(grid_log(plan.paths)), plan.paths.lock
    if note is None or note.job != PROVISIONAL or not os.path.isfile(path):
        return False
    with suppress(OSError):
        lines = Path(grid_log(plan.paths)).read_text(encoding="utf-8").splitlines()
        is_new = any(line.startswith(f"INFO {NEW_GRID} ") for line in lines)
        if is_new and file_sha256(path) == note.sha256:
            os.unlink(path)
            return True
    return False
