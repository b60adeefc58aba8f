"""What is known of the file that pins the grid, which is made once in the life of a project.

It is no later run's to write, so a run tells of a change and leaves the file to its owner. Only
what is still as a run wrote it, while a raw frame was changing, is taken back. What was noted when
it was made is written again where that was damaged, since no job will do so.
"""

import os
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING

from platefiles.hashing import digest, file_sha256
from platefiles.jobnotes import JobNote, note_path, read_note, write_note
from platefiles.layout import job_log_path
from platefiles.lockfile import CHOSEN, REMEDY, pinned_words, read_lock
from platefiles.plan import ProjectPlan
from platefiles.provisional import PROVISIONAL
from platefiles.wholefile import write_whole

if TYPE_CHECKING:
    from platefiles.sheetchecks import DigestSheet


def lock_doubt(plan: ProjectPlan) -> str:
    """Say that a lock file is not the one that a run wrote; empty if it is, or nothing tells.

    Parameters
    ----------
    plan : ProjectPlan
        The working directory must be the one that its results lie in.
    """
    path = plan.lock_path
    note = read_note(grid_log(plan))
    if note is None or not os.path.isfile(path) or file_sha256(path) == note.sha256:
        return ""
    return (
        f"{path}: is not what was written when the grid was chosen; the run goes on with what it "
        f"says now. If you did not change it, {REMEDY}"
    )


def drop_provisional_grid(plan: ProjectPlan) -> bool:
    """Take back a lock file that is provisional, so that the grid is chosen again.

    That is one that was chosen while a raw frame was not as it had been scanned
    (`platefiles.provisional`), which pinned nothing before, and which nobody changed since.

    Returns
    -------
    bool
        Whether it was there.
    """
    note, path = read_note(grid_log(plan)), plan.lock_path
    if note is None or note.job != PROVISIONAL or not os.path.isfile(path):
        return False
    with suppress(OSError):
        is_new = f"INFO {CHOSEN}\n" in Path(grid_log(plan)).read_text(encoding="utf-8")
        if is_new and file_sha256(path) == note.sha256:
            os.unlink(path)
            return True
    return False


def grid_log(plan: ProjectPlan) -> str:
    """Return the path of the log of the job that chose the grid."""
    return job_log_path(plan, "choose_grid", "")


def mend_grid_notes(plan: ProjectPlan, sheet: "DigestSheet") -> bool:
    """Write the log and the hidden note of choosing the grid again, if one of them was damaged.

    Parameters
    ----------
    plan : ProjectPlan
        As for `lock_doubt`.
    sheet : DigestSheet
        That of its results.

    Returns
    -------
    bool
        Whether they were written. They are not where nothing tells that the lock file is intact.
    """
    log, place = grid_log(plan), Path(os.path.realpath(plan.lock_path))
    full, note = Path(os.path.realpath(log)), note_path(log)
    marked = [os.path.realpath(path) for path, _ in sheet.damaged_notes()]
    damaged = full.is_file() and full in sheet.known and sheet.fault(full)
    if note is None or not (damaged or os.path.realpath(note) in marked):
        return False
    lock = read_lock(place)
    if lock is None or place not in sheet.known or sheet.fault(place):
        return False
    sha256, known = file_sha256(place), read_note(log)
    job = known.job if known and known.sha256 == sha256 else digest(plan.grid_job())
    fresh = JobNote(job, place.stat().st_size, sha256)
    words = [pinned_words(lock), str(fresh)]
    if job != PROVISIONAL:  # else `drop_provisional_grid` would believe it
        words.insert(0, CHOSEN)
    lines = "".join(f"INFO {text}\n" for text in words).encode()
    write_whole(log, lambda target: target.write(lines))
    write_note(log, fresh)
    return True
