"""What steps read is what records say, whatever happens to the files in between."""

import os
import re
import shutil
import subprocess
import sys
import time
from pathlib import Path

import pytest

from platecli.__main__ import main
from platefiles.audit.findings import CHANGED
from platefiles.audit.verification import verify
from platefiles.fits.hdu_layout import read_blocks
from platefiles.provenance.record import read_record

NIGHT = "2026-03-23"
SUB = f"{NIGHT}/g-02.fits"
CHANNEL = "channels/g.fits"
GREEN = f"results/tiny/{CHANNEL}"


def flip(path, place, count=2000):
    """Change bytes of a file and set its modification time back."""
    info = os.stat(path)
    path.chmod(0o644)
    content = bytearray(path.read_bytes())
    content[place : place + count] = bytes(byte ^ 0x55 for byte in content[place : place + count])
    path.write_bytes(content)
    os.utime(path, ns=(info.st_atime_ns, info.st_mtime_ns))


def clip_otherwise(home):
    """Change a setting of the integration alone."""
    home.change_project(overrides={"integration": {"clip_high": 3.7}})


@pytest.fixture
def undisturbed(home, tmp_path, products):
    """Digests of all products with the other setting, where nothing was damaged."""
    other = tmp_path / "other"
    shutil.copytree(home.folder, other, symlinks=True)
    twin = type(home)(other)
    clip_otherwise(twin)
    twin.run("--to", "all", "--cores", "2")
    return products(twin)


def test_damaged_raw_sub(home, undisturbed, products, capsys):
    """A sub whose bytes differ from those measured is left out; put back, it is used again.

    Between the two nothing claims to be what it is not, and afterwards all is as if it had never
    been damaged.
    """
    clip_otherwise(home)
    flip(home.raw / SUB, 30_000)
    said = home.run("--to", "all", "--cores", "2")
    assert f"left out: {SUB}: changed since it was measured (rows 1 to 128); restore it" in said
    assert "  g   7 of 8 subs" in said
    assert " are provisional, since raw frames changed; the next run makes them again" in said
    done = verify([home.results])
    assert done.count(CHANGED) == 1  # the raw frame
    provisional = {os.path.relpath(path, home.results) for path in done.provisional}
    assert {CHANNEL, "subs.tsv", "sky/g.fits", "field/depth.fits"} <= provisional
    assert not {"channels/ha.fits", "registration/g.fits"} & provisional
    record = read_record(home.results / CHANNEL)
    assert [making.step for making in record.makings.values() if making.provisional] == [
        "integrate"
    ]
    assert main(["trace", str(home.results / CHANNEL)]) == 0
    told = capsys.readouterr().out
    assert (
        "  provisional: a raw frame was not as it had been scanned when it was made; `run`" in told
    )
    assert "channels/g.fits  integrate, provisional\n" in told
    again = home.planned()
    assert "integrate g" in again
    assert "list subs" in again
    assert "measure stars g" not in " ".join(again)
    assert "integrate ha" not in again
    flip(home.raw / SUB, 30_000)
    home.run("--to", "all", "--cores", "2")
    assert products(home) == undisturbed
    assert home.planned() == []
    done = verify([home.results])
    assert (done.count(CHANGED), done.provisional) == (0, set())


def run_and_change(home, moment, change):
    """Run a channel, call ``change`` as soon as there is a file of a pattern; return the output."""
    engine = sys.modules[type(home).__module__]
    command = [*engine.PYTHON, "platecli", "run", str(home.project), "--to", GREEN]
    with subprocess.Popen(
        [*command, "--directory", str(home.folder), "--cores", "1"],
        cwd=engine.ROOT,
        env=engine.child_environment(engine.ROOT, Path(sys.prefix)),
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
    ) as process:
        deadline = time.monotonic() + 3000
        while not next(home.results.glob(moment), None):
            assert process.poll() is None
            assert time.monotonic() < deadline
            time.sleep(0.01)
        change()
        said, _ = process.communicate(timeout=3000)
    assert process.returncode == 0, said
    return said


@pytest.mark.parametrize("keeps_time", [True, False])
def test_raw_sub_that_changes_during_a_run(
    finished, make_home, tiny_raw, tmp_path, products, keeps_time
):
    """A sub that is another file for a while is left out for that while, and for no longer."""
    home = make_home(tmp_path / "home", title="Nébuleuse")
    shutil.copytree(tiny_raw, home.raw, dirs_exist_ok=True)
    home.lock.write_bytes(finished[0].lock.read_bytes())
    sub = home.raw / SUB
    info, content = os.stat(sub), sub.read_bytes()

    def change():
        sub.chmod(0o644)
        sub.write_bytes(content[:-9000] + bytes(9000))
        if keeps_time:
            os.utime(sub, ns=(info.st_atime_ns, info.st_mtime_ns))

    said = run_and_change(home, "calibration/bias*.fits", change)
    assert re.search(
        r"  \d+ products are provisional, since raw frames changed; the next run", said
    )
    made = {name: digest for name, digest in products(home).items() if name.endswith(".fits")}
    wanted = products(finished[0])
    assert made["channels/g.fits"] != wanted["channels/g.fits"]
    sub.write_bytes(content)
    os.utime(sub, ns=(info.st_atime_ns, info.st_mtime_ns))
    home.run("--to", "all", "--cores", "2")
    assert products(home) == wanted
    assert verify([home.results]).count(CHANGED) == 0


CLIP, DEGREE = {"integration": {"clip_high": 3.7}}, {"gradient": {"degree": 1}}
DAMAGE = {
    "flat": (f"calibration/flat_g_{NIGHT}*.fits", "SCI", CLIP, "integrate tiny g"),
    "header": ("calibration/bias_*.fits", "PRIMARY", CLIP, "integrate tiny"),
    "registration": ("registration/g.fits", "TRANSFORMS", CLIP, "integrate tiny g"),
    "channel": (CHANNEL, "SCI", DEGREE, "subtract gradient tiny g"),
}


@pytest.mark.parametrize(("pattern", "extension", "settings", "job"), DAMAGE.values(), ids=DAMAGE)
def test_damaged_product(home, finished, pattern, extension, settings, job):
    """The step that reads it names it and the remedy: the next run makes it again, as it was."""
    (path,) = home.results.glob(pattern)
    block = next(block for block in read_blocks(path) if block.name == extension)
    place = block.data_start + block.data_bytes // 2 if block.data_bytes else block.start + 300
    flip(path, place, 1)
    home.change_project(overrides=settings)
    lines = home.run("--to", "all", "--cores", "2", expected=1).splitlines()
    what = f"the data of {extension}" if block.data_bytes else "its headers"
    remedy = "run again to replace it"
    name = path.relative_to(home.folder)
    said = f"{name} is damaged: {what} are not those that were written; {remedy}"
    failed = [line for line in lines if line.startswith(f"FAILED: {job}")]
    assert failed
    assert all(line.endswith(said) for line in failed)
    home.run("--to", "all", "--cores", "2")
    if settings is CLIP:
        assert path.read_bytes() == (finished[0].folder / name).read_bytes()
    assert verify([home.results]).count(CHANGED) == 0
