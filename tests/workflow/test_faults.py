"""What goes wrong on a real machine: one sentence, nothing lost, and the same bytes afterwards.

Each test does harm to a run, reads what the user is told, takes the harm away, gives the same
command again, and compares all products with those of a run that nobody disturbed.
"""

import contextlib
import fcntl
import gzip
import os
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pytest
from astropy.io import fits
from workflow.fault_checks import (
    GOES_ON,
    GREEN,
    NIGHTS,
    mounted,
    products_of,
    sentences,
    unfinished,
)


@pytest.fixture
def fresh(finished, make_home, tiny_raw, tmp_path):
    """A home with raw frames of its own and the lock file of the undisturbed run."""
    home = make_home(tmp_path / "home", title="Nébuleuse")
    shutil.copytree(tiny_raw, home.raw, dirs_exist_ok=True)  # with their old times
    home.lock.write_bytes(finished[0].lock.read_bytes())
    return home


class _Run:
    """A run as the user starts it, to be disturbed while it is at work."""

    def __init__(self, home, *words):
        engine = sys.modules[type(home).__module__]
        command = [*engine.PYTHON, "platecli", "run", str(home.project)]
        self.process = subprocess.Popen(
            [*command, "--directory", str(home.folder), *words],
            cwd=engine.ROOT,
            env=engine.child_environment(engine.ROOT, Path(sys.prefix)),
            start_new_session=True,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
            errors="surrogateescape",
        )

    def wait_for(self, time_has_come):
        """Wait until something is true, while the run is at work."""
        deadline = time.monotonic() + 3000
        while not time_has_come():
            assert self.process.poll() is None, self.process.stdout.read()
            assert time.monotonic() < deadline
            time.sleep(0.01)

    def end(self):
        """Wait for the end; return the exit status and all that was said."""
        said, _ = self.process.communicate(timeout=3000)
        return self.process.returncode, said


def _some(folder, pattern):
    return lambda: next(folder.glob(pattern), None)


MOMENTS = {
    "sheet": "frames.tsv",
    "masters": "calibration/*.fits",
    "measures": "measures/*/*",
    "registration": "registration/*",
    "integration": "channels/.*.part",
    "picture": "picture/*",
}


def test_killed_at_any_moment(fresh, command_line, undisturbed):
    """Killed with all its jobs in each of its phases, again and again, a run ends as it would have.

    After each kill, what has the name of a product is whole: it has the bytes of the undisturbed
    run. Locks and unfinished files that are left behind hinder nobody, and are gone in the end.
    """
    home = fresh
    home.lock.unlink()
    stale = home.folder / ".snakemake" / "locks" / "0.output.lock"
    for moment, pattern in MOMENTS.items():
        command_line.kill_when(
            home.by_hand("--cores", "2", "--", "all", module="platecli.execution.engine"),
            _some(home.results, pattern),
        )
        made = products_of(home)
        assert made.items() <= undisturbed.items(), moment
        stale.parent.mkdir(exist_ok=True)
        stale.write_text(GREEN)
    (home.results / "channels" / ".g.fits.0123abcd.part").write_bytes(b"half")
    (home.lock.parent / f".{home.lock.name}.0123abcd.part").write_bytes(b"half")
    said = home.run("--to", "all", "--cores", "2")
    assert "done in" in said
    sentences(said)
    assert products_of(home) == undisturbed
    assert unfinished(home) == []


@pytest.mark.parametrize("moment", ["measures", "integration"])
def test_interrupted(fresh, undisturbed, moment):
    """Ctrl-C ends the run and its jobs, says so, and leaves no half product."""
    run = _Run(fresh, "--to", GREEN, "--cores", "2")
    run.wait_for(_some(fresh.results, MOMENTS[moment]))
    os.killpg(run.process.pid, signal.SIGINT)  # as a terminal does
    status, said = run.end()
    assert status == 130, said
    assert sentences(said)[-1] == f"Stopped; {GOES_ON}"
    assert "FAILED" not in said
    with open(fresh.folder / "results" / ".jobs.lock") as jobs:
        fcntl.flock(jobs, fcntl.LOCK_EX)  # which is free once the last job has ended
    assert products_of(fresh).items() <= undisturbed.items()
    assert not (fresh.folder / GREEN).exists()
    fresh.run("--to", GREEN, "--cores", "2")
    assert (fresh.folder / GREEN).exists()
    assert products_of(fresh).items() <= undisturbed.items()
    assert unfinished(fresh) == []


def test_two_runs_at_once(fresh, undisturbed, tmp_path):
    """While a run is at work a second one says so and leaves; it has changed nothing."""
    first = _Run(fresh, "--to", GREEN, "--cores", "1")
    first.wait_for(_some(fresh.results, MOMENTS["masters"]))
    second = _Run(fresh, "--to", "all")
    status, said = second.end()
    assert status not in (0, 130)
    sentence = f"another run is active in {fresh.folder}/results; wait until it ends, or stop it"
    assert sentence in sentences(said)
    status, said = first.end()
    assert status == 0, said
    assert products_of(fresh).items() <= undisturbed.items()
    assert (fresh.folder / GREEN).exists()


def test_jobs_that_outlive_their_run(home, digests):
    """While a job of a killed run goes on, a new run says so and leaves; later it goes through."""
    (home.results / "picture" / "ha-in-red.png").unlink()
    before = digests(home.results)
    with open(home.folder / "results" / ".jobs.lock", "a") as job:
        fcntl.flock(job, fcntl.LOCK_SH)
        said = home.run("--to", "all", expected=1)
    sentence = f"jobs of a killed run are still running in {home.folder}/results; wait until"
    assert any(sentence in line for line in sentences(said))
    after = digests(home.results)
    assert {n: d for n, d in after.items() if n != ".scan.json"} == {
        n: d for n, d in before.items() if n != ".scan.json"
    }
    assert "[1/1] done" in home.run("--to", "all")


def test_raw_folder_vanishes_during_a_run(fresh, undisturbed):
    """A raw disk that is taken away fails the jobs that need it, by name; put back, all goes on."""
    away = fresh.folder / "unplugged"
    run = _Run(fresh, "--to", GREEN, "--cores", "1")
    run.wait_for(_some(fresh.results, MOMENTS["masters"]))
    fresh.raw.rename(away)
    status, said = run.end()
    assert status == 1
    lines = sentences(said)
    failed = [line for line in lines if line.startswith("FAILED: ")]
    assert failed
    assert all(f": {fresh.raw}/" in line for line in failed)
    told = (".fits: No such file or directory", "; is its disk mounted?")
    assert all(line.endswith(told) for line in failed)
    assert any(line.endswith(GOES_ON) for line in lines)
    said = fresh.run("--to", GREEN, expected=1)
    assert f"raw: no such folder: {fresh.raw}" in said
    fresh.raw.mkdir()  # the empty folder that a disk is mounted on
    said = fresh.run("--to", GREEN, expected=1)
    assert "no usable light" in said
    assert products_of(fresh).items() <= undisturbed.items()
    fresh.raw.rmdir()
    away.rename(fresh.raw)
    fresh.run("--to", GREEN, "--cores", "2")
    assert (fresh.folder / GREEN).exists()
    assert products_of(fresh).items() <= undisturbed.items()


def test_raw_files_shrink_under_the_integration(home, undisturbed, finished):
    """A mapped file that loses its bytes kills the job; the user reads why, not a signal number."""
    (home.folder / GREEN).unlink()
    lights = sorted(home.raw.glob("*/g-*.fits"))
    run = _Run(home, "--to", GREEN)
    run.wait_for(_some(home.results, "channels/.g.fits.*"))
    for light in lights:
        with open(light, "r+b") as file:
            file.truncate(2880)
    status, said = run.end()
    assert status == 1, said
    assert not (home.folder / GREEN).exists()
    reason = "a file was cut short, or its disk failed, while it was being read; check the raw"
    assert any(reason in line for line in sentences(said) if line.startswith("FAILED: integrate"))
    for light in lights:
        shutil.copy2(finished[0].raw / light.relative_to(home.raw), light)
    home.run("--to", "all", "--cores", "2")
    assert products_of(home) == undisturbed
    assert unfinished(home) == []


def _jobs(session):
    """Processes of the jobs of a run, which forks of their server are, by its session."""
    found = {}
    for path in Path("/proc").iterdir():
        with contextlib.suppress(OSError, ValueError):
            fields = (path / "stat").read_text().rpartition(")")[2].split()
            if int(fields[3]) == session and b"step_forks" in (path / "cmdline").read_bytes():
                found[int(path.name)] = int(fields[1])
    return [pid for pid, parent in found.items() if parent in found]


@pytest.mark.skipif(sys.platform != "linux", reason="steps are forked on Linux only")
def test_killed_job(home, undisturbed):
    """A job that somebody kills is told with the signal; the same command goes on."""
    (home.folder / GREEN).unlink()
    run = _Run(home, "--to", GREEN)
    run.wait_for(_some(home.results, MOMENTS["integration"]))
    for pid in _jobs(os.getsid(run.process.pid)):
        os.kill(pid, signal.SIGKILL)
    status, said = run.end()
    assert status == 1, said
    assert "FAILED: integrate tiny g: killed by signal 9 (SIGKILL)" in sentences(said)
    home.run("--to", "all", "--cores", "2")
    assert products_of(home) == undisturbed
    assert unfinished(home) == []


def test_read_only_raw_folder(fresh, tiny_raw, undisturbed):
    """Raw frames on a disk that cannot be written to are all that a run needs."""
    shutil.rmtree(fresh.raw)
    with mounted(fresh.raw, "--bind", "-o", "ro", str(tiny_raw)):
        with pytest.raises(OSError, match="Read-only file system"):
            (fresh.raw / "x").touch()
        sentences(fresh.run("--to", GREEN, "--cores", "2"))
        assert products_of(fresh).items() <= undisturbed.items()
        assert (fresh.folder / GREEN).exists()


def test_sub_that_is_being_written(home, finished, undisturbed):
    """Half a sub that a camera is writing waits for the next run, and that takes it."""
    source = home.raw / NIGHTS[1] / "g-01.fits"
    with fits.open(source) as hdus:
        pixels, header = np.roll(hdus[0].data, 2, axis=1), hdus[0].header
        header["DATE-OBS"] = header["DATE-OBS"][:-1] + "7"
        fits.writeto(home.folder / "whole.fits", pixels, header)
    new = home.raw / NIGHTS[1] / "g-09.fits"
    content = (home.folder / "whole.fits").read_bytes()
    new.write_bytes(content[:50_000])
    said = home.run("--to", "all")
    left_out = f"left out: {NIGHTS[1]}/g-09.fits: is still being written; the next run takes it"
    assert any(left_out in line for line in sentences(said))
    table = "results/tiny/subs.tsv"  # which has a line more
    made = products_of(home)
    assert made.pop(table) != undisturbed[table]
    assert made.items() == undisturbed.items() - {(table, undisturbed[table])}
    new.write_bytes(content)
    assert f"measure stars g {NIGHTS[1]}" in home.to_do()
    new.unlink()
    home.run("--to", "all")
    assert products_of(home) == undisturbed


def test_raw_frames_from_the_future(home, undisturbed):
    """Frames of a camera whose clock was ahead are used like any other, and redo nothing."""
    for path in home.raw.rglob("*.fits"):
        os.utime(path, (time.time() + 90_000,) * 2)
    assert home.to_do() == []
    home.run("--to", "all")
    assert products_of(home) == undisturbed


def test_corrupt_packed_subs(home, finished):
    """Packed subs with damaged data are left out by name, and change no pixel of the others."""
    night = home.raw / NIGHTS[1]
    damage = {}
    with fits.open(night / "g-01.fits") as hdus:
        pixels, header = hdus[0].data, hdus[0].header
    for number, (name, method) in enumerate(
        {"a.fits.fz": "RICE_1", "b.fits.fz": "GZIP_2", "c.fits.gz": "", "d.fits.gz": ""}.items()
    ):
        header["DATE-OBS"] = header["DATE-OBS"][:-1] + str(number)
        kind = fits.CompImageHDU if method else fits.PrimaryHDU
        hdu = kind(pixels, header, **({"compression_type": method} if method else {}))
        hdu.writeto(night / "x.fits", overwrite=True)
        content = (night / "x.fits").read_bytes()
        content = content if method else gzip.compress(content, 1)
        middle = len(content) // 2
        if name.startswith("d"):
            content = content[:middle]
        else:
            content = content[:middle] + bytes(4000) + content[middle + 4000 :]
        (night / name).write_bytes(content)
        os.utime(night / name, (1e9, 1e9))
        damage[f"{NIGHTS[1]}/{name}"] = "it cannot be decompressed" if not method else "damaged"
    (night / "x.fits").unlink()
    said = home.run("--to", "channels")
    lines = sentences(said)
    for name, reason in damage.items():
        assert any(f"left out: {name}: " in line and reason in line for line in lines), said
    assert "  g   8 of 11 subs" in said  # a.fits.fz is a damaged copy of g-01.fits
    for extension in ("SCI", "VAR", "COUNT", "CLIPPED"):
        new = fits.getdata(home.folder / GREEN, extension)
        old = fits.getdata(finished[0].folder / GREEN, extension)
        assert new.tobytes() == old.tobytes()
