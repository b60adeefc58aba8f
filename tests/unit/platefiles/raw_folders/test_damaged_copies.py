import shutil

import numpy as np
import pytest
from astropy.io import fits

from platefiles.config.load import load_project
from platefiles.config.lock_file import Lock, lock_text
from platefiles.core.safe_names import frame_id
from platefiles.frames.frame import write_frame_list
from platefiles.plan.calibration_jobs import measure_stars_job
from platefiles.raw_folders import damaged_copies
from platefiles.raw_folders.frame_list import build_frame_list
from platefiles.raw_folders.known_frames import read_known
from platefiles.raw_folders.scan import scan_folders
from platefiles.workflow.open_project import open_projects

SHAPE = (230, 310)
CARDS = {
    "IMAGETYP": "Light",
    "FILTER": "Ha",
    "EXPTIME": 60.0,
    "DATE-OBS": "2026-03-24T22:10:00",
    "INSTRUME": "Test",
}
PROJECT = """\
title: Twice
raw: [raw]
recipe: single-channel
channels: {ha: {filters: [Ha], bias: none, dark: none, flat: none}}
"""


def write(path, packed=False, sums=False):
    """Write a frame of noise whose last 64 KB end well behind its middle."""
    path.parent.mkdir(exist_ok=True)
    pixels = np.random.default_rng(5).normal(1000, 9, SHAPE).astype(np.uint16)
    image = fits.CompImageHDU if packed else fits.PrimaryHDU
    hdu = image(pixels, fits.Header(CARDS), **({"tile_shape": (1, SHAPE[1])} if packed else {}))
    hdus = fits.HDUList([fits.PrimaryHDU(), hdu] if packed else [hdu])
    hdus.writeto(path, checksum=sums)


def damage(path, start, content):
    """Write bytes into a file, and return its path."""
    with open(path, "r+b") as file:
        file.seek(start)
        file.write(content)
    return path


def copy(path, to):
    """Copy a file to another name in the folder of its folder."""
    target = path.parent / to
    target.parent.mkdir(exist_ok=True)
    return shutil.copyfile(path, target)


@pytest.fixture
def raw(tmp_path):
    """An empty folder of raw frames beside a project file."""
    (tmp_path / "x.yaml").write_text(PROJECT)
    (tmp_path / "raw").mkdir()
    return tmp_path / "raw"


def sheet(raw, cache=None, known=()):
    """Return the frames of the project, by name."""
    files = scan_folders([raw], cache, cache is not None)
    frames = build_frame_list(files, load_project(raw.parent / "x.yaml", raw.parent), known)
    return {frame.name: frame for frame in frames}


def reasons(raw, cache=None, known=()):
    """Return why frames are not used, by name; empty for those that are."""
    return {name: frame.reason for name, frame in sheet(raw, cache, known).items()}


@pytest.mark.parametrize("names", [("a.fits", "b.fits"), ("b.fits", "a.fits")])
def test_of_two_files_of_one_fingerprint_the_intact_one_is_used(raw, names):
    """A copy with zeros in the middle is left out whichever comes first, and the sheet says why."""
    intact, other = names
    write(raw / intact)
    damage(copy(raw / intact, other), 40_000, bytes(4096))
    frames = sheet(raw)
    assert frames[intact].fingerprint == frames[other].fingerprint
    assert frames[intact].reason == ""
    said = frames[other].reason
    assert said.startswith(f"same exposure as {intact}, but damaged: ")
    assert said.endswith(" bytes more than there hold one value only")


def test_equal_files_are_copies(raw):
    """Files that are equal to the last byte are said to be so, and none is called damaged."""
    write(raw / "a.fits")
    copy(raw / "a.fits", "b.fits")
    assert reasons(raw) == {"a.fits": "", "b.fits": "same content as a.fits"}


def test_what_contradicts_its_own_sum_is_damaged(raw):
    """One flipped bit is found where the header states the sum of the data."""
    write(raw / "b.fits", sums=True)
    damage(copy(raw / "b.fits", "a.fits"), 40_000, b"\xf0")
    found = reasons(raw)
    assert found["b.fits"] == ""
    assert found["a.fits"].startswith("same exposure as b.fits, but damaged: its data contradict")


def test_what_cannot_be_unpacked_is_damaged(raw):
    """A tile of a packed frame that does not decompress speaks against its file."""
    write(raw / "b.fits.fz", packed=True)
    with fits.open(raw / "b.fits.fz", disable_image_compression=True) as hdus:
        start = hdus[1].fileinfo()["datLoc"]
    damage(copy(raw / "b.fits.fz", "a.fits.fz"), start + 8 * 40, b"\x7f\xff\xff\xff" * 4)
    found = reasons(raw)
    assert found["b.fits.fz"] == ""
    assert found["a.fits.fz"].startswith("same exposure as b.fits.fz, but damaged: ")


def test_most_of_several_copies_are_believed(raw):
    """Where nothing else tells, two equal files stand against the one that differs."""
    write(raw / "b.fits")
    copy(raw / "b.fits", "c.fits")
    damage(copy(raw / "b.fits", "a.fits"), 40_000, b"\xf0\x0f")
    assert reasons(raw) == {
        "a.fits": "same exposure as b.fits, but damaged: its bytes are those of 1 of 3 copies",
        "b.fits": "",
        "c.fits": "same content as b.fits",
    }


def test_what_nothing_tells_is_said(raw):
    """Of two readable files the first is used, and the sheet says that they differ."""
    write(raw / "a.fits")
    damage(copy(raw / "a.fits", "b.fits"), 40_000, b"\xf0\x0f")
    found = reasons(raw)
    assert found["a.fits"] == ""
    assert found["b.fits"].startswith("same exposure as a.fits, but other bytes, and either")


def test_a_packed_copy_that_is_damaged_is_left_out_for_the_plain_one(raw):
    """Where the pixels are the same as far as they can be read, the whole file is used."""
    write(raw / "b.fits")
    write(raw / "a.fits.fz", packed=True)
    with fits.open(raw / "a.fits.fz", disable_image_compression=True) as hdus:
        start = hdus[1].fileinfo()["datLoc"]
    damage(raw / "a.fits.fz", start + 8 * 100, b"\x7f\xff\xff\xff" * 4)
    found = reasons(raw)
    assert found["b.fits"] == ""
    assert found["a.fits.fz"].startswith("same exposure as b.fits, but damaged: ")


def test_an_excluded_copy_leaves_the_damaged_one_in_use(raw):
    """What the project excludes is no better copy: the other is used, and steps judge it."""
    write(raw / "a.fits")
    damage(copy(raw / "a.fits", "b.fits"), 40_000, bytes(4096))
    (raw.parent / "x.yaml").write_text(PROJECT + "exclude: [a.fits]\n")
    assert reasons(raw) == {"a.fits": "excluded in x.yaml", "b.fits": ""}


def test_an_intact_copy_takes_over_under_its_own_name(raw):
    """The damaged frame that the project knew goes; the intact one is new, so all is made of it."""
    write(raw / "n1" / "b.fits")
    known_file = damage(copy(raw / "n1" / "b.fits", "a.fits"), 40_000, bytes(4096))
    (raw / "n1").rename(raw.parent / "away")
    table = raw.parent / "frames.tsv"
    write_frame_list(list(sheet(raw).values()), table)
    (raw.parent / "away").rename(raw / "n1")
    for _ in range(2):
        frames = sheet(raw, known=read_known(table))
        used = [frame for frame in frames.values() if frame.role == "light"]
        assert [(frame.name, frame.id) for frame in used] == [("n1/b.fits", frame_id("n1/b.fits"))]
        write_frame_list(list(frames.values()), table)
    assert known_file.exists()


def test_files_are_read_once(raw, tmp_path, monkeypatch):
    """What was read stands in the cache of the scan; a file that changes is read again."""
    cache = tmp_path / "scan.json"
    write(raw / "a.fits")
    damage(copy(raw / "a.fits", "b.fits"), 40_000, bytes(4096))
    first = reasons(raw, cache)
    with monkeypatch.context() as patch:
        patch.setattr(damaged_copies, "file_sha256", None)
        patch.setattr(damaged_copies, "_blank_sectors", None)
        assert reasons(raw, cache) == first
    shutil.copyfile(raw / "a.fits", raw / "b.fits")
    assert reasons(raw, cache)["b.fits"] == "same content as a.fits"


def test_what_the_disk_does_not_give_is_tried_again(raw, tmp_path, monkeypatch):
    """A copy that the disk fails to give gives way to the other one, and is not held against it."""
    cache = tmp_path / "scan.json"
    write(raw / "b.fits")
    copy(raw / "b.fits", "a.fits")
    real = damaged_copies.file_sha256

    def failing(path):
        if path.endswith("a.fits"):
            raise OSError(5, "Input/output error")
        return real(path)

    with monkeypatch.context() as patch:
        patch.setattr(damaged_copies, "file_sha256", failing)
        patch.setattr(damaged_copies, "_blank_sectors", lambda path: failing(path) and 0)
        said = reasons(raw, cache)
    assert said["b.fits"] == ""
    assert said["a.fits"].endswith("damaged: cannot be read to its end: Input/output error")
    assert reasons(raw, cache)["b.fits"] == "same content as a.fits"


def test_an_intact_copy_takes_the_place_of_a_pinned_frame(raw, monkeypatch):
    """The pin of the lock file holds for the intact file, and all is made of it; then nothing is.

    So a project whose reference was damaged goes on, on the same grid.
    """
    monkeypatch.chdir(raw.parent)
    pinned = frame_id("a.fits")
    lock = Lock(pinned, "a.fits", *SHAPE[::-1], {"ha": pinned})
    (raw.parent / "x.lock.yaml").write_text(lock_text(lock))
    write(raw / "b.fits")
    damage(copy(raw / "b.fits", "a.fits"), 40_000, bytes(4096))
    (raw / "b.fits").rename(raw.parent / "b.fits")

    def plan():
        plans, problems = open_projects([str(raw.parent / "x.yaml")], raw.parent, True, False)
        assert problems == {}
        return plans["x"]

    before = plan()
    (raw.parent / "b.fits").rename(raw / "b.fits")
    after, again = plan(), plan()
    assert (after.by_id[pinned].name, after.by_id[pinned].role) == ("b.fits", "light")
    assert after.by_id[pinned].path == str(raw / "b.fits")
    assert len({frame.id for frame in after.frames}) == 2
    assert measure_stars_job(after, "ha", "2026-03-24") != measure_stars_job(
        before, "ha", "2026-03-24"
    )
    assert again.frames == after.frames
    shutil.rmtree(raw.parent / "results")
    assert plan().frames == after.frames


def test_no_better_copy_is_named_where_all_are_damaged(raw):
    """Packed in two ways and damaged in both, the first stays in use and a step judges it."""
    for name, number in (("a.fits.fz", 100), ("b.fits.fz", 101)):
        write(raw / name, packed=True)
        with fits.open(raw / name, disable_image_compression=True) as hdus:
            start = hdus[1].fileinfo()["datLoc"]
        damage(raw / name, start + 8 * number, b"\x7f\xff\xff\xff" * 2)
        with fits.open(raw / name, mode="append", disable_image_compression=True) as hdus:
            hdus.append(fits.ImageHDU(np.full((4, 4), number)))
    found = reasons(raw)
    assert sorted(found.values()) == ["", "same pixels as a.fits.fz"]


def test_a_project_of_no_copies_reads_nothing_whole(raw, monkeypatch):
    """Frames of their own are never read to their end by a scan."""
    write(raw / "a.fits")
    monkeypatch.setattr(damaged_copies, "file_sha256", None)
    with pytest.raises(TypeError):
        copy(raw / "a.fits", "b.fits")
        scan_folders([raw], None, False)
    (raw / "b.fits").unlink()
    assert reasons(raw) == {"a.fits": ""}
