import subprocess
import sys

import pytest

from platefiles.core.errors import UserError
from platefiles.jobs.orphans import refuse_orphans

JOB = (
    "import sys; from platefiles.jobs.orphans import hold_job_lock; "
    "hold_job_lock(sys.argv[1]); hold_job_lock(sys.argv[1]); "
    "print('held', flush=True); sys.stdin.read()"
)


def _job(folder):
    return subprocess.Popen(
        [sys.executable, "-c", JOB, folder],
        stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True,
    )  # fmt: skip


def test_jobs_at_work_keep_a_new_run_away(tmp_path):
    """Several jobs may be at work; until the last has ended, or was killed, no run begins."""
    refuse_orphans(tmp_path)
    with _job(tmp_path) as first, _job(tmp_path) as second:
        assert first.stdout.readline() == second.stdout.readline() == "held\n"
        first.kill()
        first.wait()
        with pytest.raises(UserError, match=f"still running in {tmp_path}; wait until they end"):
            refuse_orphans(tmp_path, 0.0)
        second.kill()
        refuse_orphans(tmp_path)


def test_no_folder_no_jobs(tmp_path):
    """Before the first run there is nothing to wait for, and nothing is made."""
    refuse_orphans(tmp_path / "results")
    assert list(tmp_path.iterdir()) == []
