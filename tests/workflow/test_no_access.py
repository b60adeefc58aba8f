"""Folders that may not be written: one sentence each, no traceback, and nothing is lost."""

import os
import shutil
import subprocess
import sys
from contextlib import contextmanager

import pytest

PICTURE = "picture/ha-in-red.png"


@pytest.fixture(scope="module")
def without_rights():
    """What to put before a command so that the permissions of files hold for it."""
    if os.geteuid():
        return []
    words = ["setpriv", "--bounding-set=-all"]
    if not shutil.which("setpriv") or subprocess.run([*words, "true"]).returncode:
        pytest.skip("this is root, and setpriv cannot take its rights away")
    return words


@pytest.fixture
def told(home, command_line, without_rights):
    """Return a way to run a home without its picture, and what it says without a traceback."""
    (home.results / PICTURE).unlink()

    def run(expected=1, **environment):
        words = [f"{name}={value}" for name, value in environment.items()]
        command = [sys.executable, "-P", "-m", "platecli", "run", str(home.project)]
        command = ["env", *words, *without_rights, *command, "--directory", str(home.folder)]
        said = command_line.said(command, expected)
        for word in ("Traceback", "Errno", "Exception"):
            assert word not in said
        return said.splitlines()

    return run


@contextmanager
def _locked(folder):
    folder.chmod(0o555)
    try:
        yield
    finally:
        folder.chmod(0o755)


def test_read_only_results(home, told):
    """Nothing is begun, and one sentence says where nothing can be written."""
    with _locked(home.results.parent):
        (line,) = told()
    assert line == (
        f"{home.results.parent} cannot be written (Permission denied); solve this, or name another "
        "--directory"
    )


@pytest.mark.parametrize(
    ("place", "sentence"),
    [
        ("", "results/tiny/frames.tsv: Permission denied; correct it and run again"),
        (
            "logs/encode_picture",
            "{results}/logs/encode_picture/ha-in-red_png.log: Permission denied",
        ),
        (
            "picture",
            f"FAILED: encode picture tiny ha-in-red png: {{results}}/{PICTURE}: Permission de",
        ),
        (
            "benchmarks/encode_picture",
            "results/tiny/benchmarks/encode_picture/ha-in-red_png.tsv: Permission",
        ),
    ],
)
def test_read_only_folders_of_a_project(home, told, place, sentence):
    """The file that could not be written is named, wherever it lies."""
    for name in (
        "logs/encode_picture/ha-in-red_png.log",
        "benchmarks/encode_picture/ha-in-red_png.tsv",
    ):
        (home.results / name).unlink()
    (home.results / "frames.tsv").write_text("", encoding="utf-8")
    if place:
        told(0)  # the table is right again
        (home.results / PICTURE).unlink()
        for path in (home.results / place).glob("ha-in-red_png.*"):
            path.unlink()
    with _locked(home.results / place):
        said = "\n".join(told())
    results = os.path.realpath(home.results)
    assert sentence.format(results=results) in said
    told(0)
    assert (home.results / PICTURE).exists()


def test_run_lock_of_another_user(home, told):
    """A lock that may not be opened is told with its owner; one that may be read serves as well."""
    lock = home.results.parent / ".run.lock"
    lock.chmod(0o000)
    (line,) = told()
    owner = lock.owner()
    assert line == (
        f"{lock} belongs to {owner} (Permission denied); run as {owner}, or name another "
        "--directory"
    )
    lock.chmod(0o444)
    told(0)
    assert (home.results / PICTURE).exists()


def test_home_that_cannot_be_written(home, told, tmp_path):
    """Caches of libraries go elsewhere, and nothing is said of it."""
    place = tmp_path / "nobody"
    place.mkdir()
    with _locked(place):
        said = told(0, HOME=str(place), XDG_CACHE_HOME="")
    assert any("[1/1] done in" in line for line in said)
    assert list(place.iterdir()) == []
