"""Write damaged notes of `choose_reference` again, since no job does."""

import os
from pathlib import Path

from platefiles.config.lock_file import NEW_GRID_LINE, pinned_words, read_lock
from platefiles.core.atomic_write import write_whole
from platefiles.core.hashing import digest, file_sha256
from platefiles.core.provisional import PROVISIONAL
from platefiles.digests.sheet_checks import DigestSheet
from platefiles.plan.grid_jobs import grid_job
from platefiles.plan.paths import grid_log
from platefiles.plan.project_plan import ProjectPlan
from platefiles.provenance.job_notes import JobNote, note_path, read_note, write_note


def rewrite_grid_notes(plan: ProjectPlan, sheet: DigestSheet) -> bool:
    """Rewrite the log and the hidden note of the choice of the grid, if either was damaged.

    Parameters
    ----------
    plan : ProjectPlan
        The working directory must be the folder of its results.
    sheet : DigestSheet
        The sheet of its results.

    Returns
    -------
    bool
        Whether they were written. They are not if nothing confirms that the lock file is intact.
    """
    log, place = grid_log(plan.paths), Path(os.path.realpath(plan.paths.lock))
    full, note = Path(os.path.realpath(log)), note_path(log)
    marked = [os.path.realpath(path) for path, _ in sheet.damaged_notes()]
    damaged = full.is_file() and full in sheet.known and sheet.fault(full)
    if note is None or not (damaged or os.path.realpath(note) in marked):
        return False
    lock = read_lock(place)
    if lock is None or place not in sheet.known or sheet.fault(place):
        return False
    sha256, known = file_sha256(place), read_note(log)
    job = known.job if known and known.sha256 == sha256 else digest(grid_job(plan))
    fresh = JobNote(job, place.stat().st_size, sha256)
    words = [pinned_words(lock), str(fresh)]
    if job != PROVISIONAL:  # else `drop_provisional_grid` would believe it
        words.insert(0, NEW_GRID_LINE)
    lines = "".join(f"INFO {text}\n" for text in words).encode()
    write_whole(log, lambda target: target.write(lines))
    write_note(log, fresh)
    return True
