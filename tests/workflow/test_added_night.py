"""A picture before and after a night: the same frame, the previous version, and what was added."""

import os
import subprocess
import sys
import time
from pathlib import Path

from workflow.conftest import HANG_S, PYTHON, ROOT, said

from platelog import child_environment

NIGHT = "2026-03-24"


def _files(folder):
    return {
        path.name: path.read_bytes()
        for path in folder.glob("[!.]*")
        if not path.name.endswith(".display.fits")
    }


def _stop_when(command, time_has_come):
    """Start a run and stop it as the system does, as soon as the time has come."""
    with subprocess.Popen(
        command,
        cwd=ROOT,
        env=child_environment(ROOT, Path(sys.prefix)),
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    ) as process:
        while not time_has_come():
            assert process.poll() is None
            time.sleep(0.05)
        process.terminate()
        assert process.wait(HANG_S) == 130


def test_a_night_is_added_to_a_picture(home):
    """Its size stays, `compare` finds both versions, and `run` tells what the night added.

    A run that is stopped halfway leaves the previous version, and so does a run with nothing new.
    """
    picture, previous = home.results / "picture", home.results / "previous" / "ha-in-red"
    assert not previous.exists()
    lock = home.lock.read_text()
    home.change_project(exclude=[f"{NIGHT}/{name}" for name in ("g-04.fits", "ha-0[1-3].fits")])
    output = home.run()
    assert "added by this run:" in output
    assert "of the earlier ones no longer used" in output
    first = _files(picture)
    full = _files(previous)
    assert full.keys() == first.keys()
    home.change_project(exclude=[])
    command = [*PYTHON, "platecli", "run", str(home.project), "--directory", str(home.folder)]
    linear = picture / "ha-in-red.fits"
    _stop_when(command, lambda: linear.is_file() and linear.read_bytes() != first[linear.name])
    assert _files(previous) == full
    output = home.run().splitlines()
    place = output.index("  added by this run:")
    assert [line.split(",")[0].split() for line in output[place + 1 :]] == [
        *(["g", "21", "min", "->", "24", "min"], ["1", "new", "sub"]),
        *(["ha", "50", "min", "->", "1", "h", "20", "min"], ["3", "new", "subs"]),
    ]
    assert _files(previous) == first
    assert _files(picture) == full  # the same frames, settings and lock file
    assert home.lock.read_text() == lock
    before = {path: os.stat(path).st_mtime_ns for path in previous.iterdir()}
    assert "Nothing new to do." in home.run()
    assert {path: os.stat(path).st_mtime_ns for path in previous.iterdir()} == before
    names = ("ha-in-red.png", "ha-in-red.png")
    words = [str(folder / name) for folder, name in zip((previous, picture), names, strict=True)]
    compared = said([*PYTHON, "platecli", "compare", *words])
    assert "only in B" in compared
    assert "common area" not in compared  # they have the same size and place
    assert "all unchanged" in said([*PYTHON, "platecli", "verify", str(home.results)])
    assert "no products of an earlier plan" in said(
        [*PYTHON, "platecli", "tidy", str(home.project), "--directory", str(home.folder)]
    )
    sheet = ["sha256sum", "--check", "--quiet", "digests.sha256"]
    assert subprocess.run(sheet, cwd=home.results, check=False).returncode == 0
