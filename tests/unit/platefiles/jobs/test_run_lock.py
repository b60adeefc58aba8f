import subprocess
import sys

import pytest

from platefiles.jobs.run_lock import Busy, hold_run_lock

HOLD = (
    "import sys; from platefiles.jobs.run_lock import Busy, hold_run_lock; "
    "hold_run_lock(sys.argv[1]); print('held', flush=True); sys.stdin.read()"
)


def _hold(folder):
    return subprocess.Popen(
        [sys.executable, "-c", HOLD, folder],
        stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True,
    )  # fmt: skip


def test_second_run_is_refused_until_the_first_ends(tmp_path):
    """While a run holds the folder another is sent away; a killed run lets go of it."""
    folder = tmp_path / "results"
    with _hold(folder) as first:
        assert first.stdout.readline() == "held\n"
        with pytest.raises(Busy, match=f"another run is active in {folder}; wait until"):
            hold_run_lock(folder)
        first.kill()
        first.wait()
    with _hold(folder) as second:
        assert second.stdout.readline() == "held\n"
        second.stdin.close()


def test_other_folders_are_free(tmp_path):
    """Runs in two folders do not disturb each other."""
    with _hold(tmp_path / "a") as first, _hold(tmp_path / "b") as second:
        assert first.stdout.readline() == second.stdout.readline() == "held\n"
        first.stdin.close()
        second.stdin.close()


def test_who_is_started_by_a_run_takes_its_lock_for_its_own(tmp_path):
    """A process that inherits the open lock continues; any other is refused."""
    script = (
        "import subprocess, sys; from platefiles.jobs.run_lock import hold_run_lock; "
        "hold_run_lock(sys.argv[1]); again = [sys.executable, '-c', sys.argv[2], sys.argv[1]]; "
        "print(*(subprocess.run(again, close_fds=c, stderr=-3).returncode for c in (0, 1)))"
    )
    again = (
        "import sys; from platefiles.jobs.run_lock import hold_run_lock; hold_run_lock(sys.argv[1])"
    )
    words = [sys.executable, "-c", script, tmp_path / "results", again]
    assert subprocess.run(words, capture_output=True, text=True).stdout == "0 1\n"
