"""Runs on a disk that is full: sentences, no half products, and the same products later."""

import contextlib
import os
import shutil
import threading
from pathlib import Path

import pytest
from workflow.fault_checks import (
    GOES_ON,
    GREEN,
    NIGHTS,
    mounted,
    products_of,
    sentences,
    unfinished,
)


class _Disk:
    """A small disk, to be filled to its last byte."""

    def __init__(self, place: Path):
        self.place = place
        self._ballast = place / "ballast"

    def fill(self, sizes=(1 << 16, 1 << 9, 1)):
        """Leave no byte free."""
        with open(self._ballast, "ab", buffering=0) as file:
            for size in sizes:
                with contextlib.suppress(OSError):
                    while True:
                        file.write(bytes(size))

    @contextlib.contextmanager
    def full(self):
        """Leave no byte free for a while, whatever is removed meanwhile."""
        self.fill()
        ended = threading.Event()

        def fill_again():
            while not ended.wait(0.001):
                self.fill([4096])

        thread = threading.Thread(target=fill_again)
        thread.start()
        try:
            yield
        finally:
            ended.set()
            thread.join()

    def free(self):
        """Make room again."""
        self._ballast.unlink(missing_ok=True)


@pytest.fixture
def small_disk(tmp_path):
    """A disk of its own, of 64 MB."""
    with mounted(tmp_path / "disk", "-t", "tmpfs", "-o", "size=64m", "tmpfs") as place:
        yield _Disk(place)


def _onto(disk, home, *folders):
    for folder in folders:
        shutil.move(home.folder / folder, disk.place / folder)
        (home.folder / folder).symlink_to(disk.place / folder)
    home.change_project(raw=[str(home.raw)])


STAGES = [
    ("picture/ha-in-red.png", "encode picture tiny ha-in-red png"),
    ("picture/ha-in-red.jpg", "encode picture tiny ha-in-red jpg"),
    ("picture/ha-in-red.tif", "encode picture tiff tiny ha-in-red"),
    ("subs.tsv", "list subs tiny"),
    None,
    ("picture/ha-in-red.display.fits", "draw picture tiny ha-in-red"),
    None,
    ("picture/ha-in-red.fits", "map channels tiny ha-in-red"),
    ("seeing.tsv", "list seeing tiny"),
    None,
    ("sky/g.fits", "subtract gradient tiny g"),
    None,
    ("channels/g.fits", "integrate tiny g"),
    None,
    ("registration/b.fits", "assess subs tiny b"),
    None,
    ("registration/g.fits", ""),  # or nothing would want what is registered
    (f"registration/g/{NIGHTS[1]}.fits", f"register tiny g {NIGHTS[1]}"),
    None,
    (f"registration/g/{NIGHTS[0]}.fits", ""),
    (f"measures/g/{NIGHTS[0]}.fits", f"measure stars tiny g {NIGHTS[0]}"),
    ("channels/ha.fits", ""),
    ("registration/ha.fits", ""),
    (f"registration/ha/{NIGHTS[1]}.fits", ""),
    (f"measures/ha/{NIGHTS[1]}.fits", ""),
    (f"calibration/flat_ha_{NIGHTS[1]}*.fits", f"master flat tiny flat_ha_{NIGHTS[1]}"),
    None,
]


def test_full_disk_under_each_writer(home, small_disk, undisturbed):
    """Each writer of a product tells the file that the full disk had no room for, and leaves none.

    With room again, the same command makes what is missing, with the same bytes.
    """
    _onto(small_disk, home, "results", "projects")
    home.run("--to", "all")
    gone = []
    for stage in STAGES:
        if stage:
            (path,) = home.results.glob(stage[0])
            path.unlink()
            gone.append((os.path.realpath(path), stage[1]))
            continue
        with small_disk.full():
            lines = sentences(home.run("--to", "all", expected=1))
        for path, job in gone:
            if not job:
                continue
            assert not os.path.exists(path)
            failed = [line for line in lines if line.startswith(f"FAILED: {job}")]
            assert len(failed) == 1, lines
            told = f"{path}: No space left on device"
            # The reason is in the log, or beside a log that is full.
            assert failed[0].endswith(told) or told in lines, lines
        assert unfinished(home) == []
        gone = []
    small_disk.free()
    sentences(home.run("--to", "all", "--cores", "2"))
    assert products_of(home) == undisturbed


def test_full_disk_under_the_lock_file(home, small_disk, undisturbed):
    """Where the grid cannot be pinned, no half lock file is left to be taken for a whole one."""
    _onto(small_disk, home, "projects")
    home.run("--to", "all")
    home.lock.unlink()
    for path in [home.results / "subs.tsv", *home.results.glob("registration/*.fits")]:
        path.unlink()
    small_disk.fill()
    lines = sentences(home.run("--to", "all", expected=1))
    (line,) = [line for line in lines if line.startswith("FAILED: choose reference")]
    assert line.endswith(f"{os.path.realpath(home.lock)}: No space left on device")
    assert list(home.lock.parent.iterdir()) == [home.project]
    small_disk.free()
    sentences(home.run("--to", "all"))
    assert products_of(home) == undisturbed


def test_full_disk_under_everything(home, small_disk, undisturbed, finished):
    """With Snakemake's own notes, all logs and all products on a full disk, sentences remain."""
    copy = type(home)(small_disk.place / "home")
    shutil.move(home.folder, copy.folder)
    copy.run("--to", "all")
    (copy.results / "picture" / "ha-in-red.png").unlink()
    (copy.folder / GREEN).unlink()
    small_disk.fill()
    lines = sentences(copy.run("--to", "all", expected=1))
    assert f"{os.path.realpath(copy.folder / GREEN)}: No space left on device" in " ".join(lines)
    assert any(line.endswith(GOES_ON) for line in lines)
    assert unfinished(copy) == []
    (copy.results / "frames.tsv").write_bytes(b"")
    small_disk.fill()
    lines = sentences(copy.run("--to", "all", expected=1))
    assert lines == ["results/tiny/frames.tsv: No space left on device; correct it and run again"]
    small_disk.free()
    sentences(copy.run("--to", "all", "--cores", "2"))
    assert products_of(copy) == undisturbed
