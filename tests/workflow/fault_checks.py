"""What tests of faults look at after a run."""

import contextlib
import hashlib
import os
import subprocess
from pathlib import Path

import pytest

GREEN = "results/tiny/channels/g.fits"


NIGHTS = ("2026-03-23", "2026-03-24")


GOES_ON = "the same command resumes."


def products_of(home):
    """Digests of the lock file and of all that looks like a finished product, by its place."""
    results = home.results
    found = [home.lock, results / "subs.tsv", results / "seeing.tsv"]
    folders = ("calibration", "measures", "registration", "channels", "sky", "picture", "field")
    for folder in folders:
        found += [path for path in (results / folder).rglob("*") if path.suffix != ".part"]
    return {
        os.path.relpath(path, home.folder): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in found
        if path.is_file()
    }


def sentences(said):
    """Lines of what was said, after checking that no traceback or jargon is among them."""
    for word in ("Traceback", "Logging error", "Exception", "Error in", "Errno"):
        assert word not in said
    return [line for line in said.splitlines() if line]


def unfinished(home):
    """Files that were begun and not finished."""
    return [path for path in home.folder.rglob("*") if path.name.endswith(".part")]


@contextlib.contextmanager
def mounted(place: Path, *options: str):
    """Mount a disk for a while, or skip the test where that is not allowed."""
    place.mkdir(parents=True, exist_ok=True)
    done = subprocess.run(["mount", *options, place], capture_output=True, text=True)
    if done.returncode:
        pytest.skip(f"no disk can be mounted here: {done.stderr.strip()}")
    try:
        yield place
    finally:
        subprocess.run(["umount", "--lazy", place], check=True)
