import subprocess
import sys

import pytest

from platefiles.runlock import hold_run_lock

HOLD = (
    "import sys; from platefiles.runlock import hold_run_lock; "
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
        with pytest.raises(SystemExit, match=f"another run is at work in {folder}; wait for"):
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
