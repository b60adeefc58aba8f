import gzip
import io
import json

import numpy as np
import pytest
from astropy.io import fits

from platefiles.config.load import load_project
from platefiles.config.lock_file import Lock, lock_text
from platefiles.core.safe_names import frame_id
from platefiles.raw_folders.frame_list import build_frame_list
from platefiles.raw_folders.scan import scan_folders
from platefiles.raw_frames.raw_frame import open_raw

SHAPE = (80, 61)
CARDS = {
    "IMAGETYP": "Light",
    "FILTER": "Ha",
    "EXPTIME": 60.0,
    "DATE-OBS": "2026-03-24T22:10:00",
    "INSTRUME": "Test",
}


def _write(path, seed=1, packed="", cards=CARDS, pixels=None):
    """Write a frame of noise, plain, packed tile by tile ('fz') or as a whole ('gz')."""
    path.parent.mkdir(exist_ok=True)
    if pixels is None:
        pixels = np.random.default_rng(seed).normal(1000, 9, SHAPE).astype(np.uint16)
    hdus = fits.HDUList([fits.PrimaryHDU(pixels, fits.Header(cards))])
    if packed == "fz":
        hdu = fits.CompImageHDU(pixels, fits.Header(cards), compression_type="RICE_1")
        hdus = fits.HDUList([fits.PrimaryHDU(), hdu])
    content = io.BytesIO()
    hdus.writeto(content)
    whole = content.getvalue()
    path.write_bytes(gzip.compress(whole) if packed == "gz" else whole)


PROJECT = """\
title: Twice
raw: [raw]
recipe: single-channel
channels: {ha: {filters: [Ha]}}
"""


def _reasons(folder, more=""):
    """Reason by name of the list of frames; empty for what is used."""
    project = folder.parent / "x.yaml"
    project.write_text(PROJECT + more)
    files = scan_folders([folder], None, False)
    frames = build_frame_list(files, load_project(project, folder.parent))
    return {frame.name: frame.reason for frame in frames}


@pytest.fixture
def raw(tmp_path):
    """An empty folder of raw frames."""
    (tmp_path / "raw").mkdir()
    return tmp_path / "raw"


@pytest.mark.parametrize("packed", ["fz", "gz"])
def test_a_packed_copy_of_a_plain_frame_is_left_out(raw, packed):
    """Beside it or in another folder; the reason names the one that is used."""
    _write(raw / "a.fits")
    _write(raw / f"a.fits.{packed}", packed=packed)
    _write(raw / "n2" / f"b.fits.{packed}", 2, packed)
    _write(raw / "n3" / "c.fits", 2)
    assert _reasons(raw) == {
        "a.fits": "",
        f"a.fits.{packed}": "same pixels as a.fits",
        f"n2/b.fits.{packed}": "",
        "n3/c.fits": f"same pixels as n2/b.fits.{packed}",
    }


def test_a_copy_with_another_header_is_left_out(raw):
    """A program that adds a card changes the bytes and not the exposure."""
    _write(raw / "a.fits")
    _write(raw / "b.fits", cards=CARDS | {"CRVAL1": 12.5})
    assert _reasons(raw) == {"a.fits": "", "b.fits": "same pixels as a.fits"}


def test_frames_of_one_second_are_different_exposures(raw):
    """Bias frames in a burst share all facts of their headers, and none is left out."""
    bias = CARDS | {"IMAGETYP": "Bias", "EXPTIME": 0.0}
    for number in range(3):
        _write(raw / f"b{number}.fits", number, "fz" if number else "", bias)
    assert set(_reasons(raw).values()) == {""}


def test_without_a_date_frames_of_one_name_are_compared(raw):
    """Where no header has a date, files that differ in their ending may be one exposure."""
    undated = {key: value for key, value in CARDS.items() if key != "DATE-OBS"}
    _write(raw / "a.fits", cards=undated)
    _write(raw / "n2" / "a.fits.fz", packed="fz", cards=undated)
    _write(raw / "b.fits", 2, cards=undated)
    assert [name for name, reason in _reasons(raw).items() if reason] == ["n2/a.fits.fz"]


def test_frames_without_noise_are_not_compared(raw):
    """Rows that hold one value tell nothing of the exposure."""
    for number in range(2):
        pixels = np.random.default_rng(number).normal(1000, 9, SHAPE).astype(np.uint16)
        pixels[:40] = 0
        _write(raw / f"a{number}.fits", pixels=pixels)
    assert set(_reasons(raw).values()) == {""}


@pytest.mark.parametrize("packed", ["fz", "gz"])
def test_a_damaged_copy_does_not_displace_a_whole_one(raw, packed):
    """A packed frame is unpacked to its end before the plain one is left out for it."""
    damaged = raw / f"a.fits.{packed}"
    _write(damaged, packed=packed)
    content = bytearray(damaged.read_bytes())
    if packed == "fz":
        with fits.open(damaged, disable_image_compression=True) as hdus:
            start = hdus[1].fileinfo()["datLoc"] + 8 * SHAPE[0]
            size = hdus[1].header["PCOUNT"]
        content[start + size * 3 // 4 : start + size] = bytes(size - size * 3 // 4)
    else:
        content[-8:-4] = bytes(4)  # the checksum
    damaged.write_bytes(content)
    _write(raw / "b.fits")
    assert _reasons(raw)["b.fits"] == ""


def test_an_excluded_copy_displaces_nothing(raw):
    """What the project leaves out does not count as the one that is used."""
    _write(raw / "a.fits")
    _write(raw / "a.fits.fz", packed="fz")
    reasons = _reasons(raw, "exclude: [a.fits]")
    assert reasons == {"a.fits": "excluded in x.yaml", "a.fits.fz": ""}


def test_a_pinned_sub_stays_in_use(raw, tmp_path):
    """A plain copy that is added later does not take the place of the grid's reference."""
    _write(raw / "a.fits.fz", packed="fz")
    _write(raw / "a.fits")
    for name in ("a.fits.fz", "a.fits"):
        lock = Lock(frame_id(name), name, *SHAPE[::-1], {"ha": frame_id(name)})
        (tmp_path / "x.lock.yaml").write_text(lock_text(lock))
        assert [used for used, reason in _reasons(raw).items() if not reason] == [name]


def test_comparisons_are_kept_with_the_scan(raw, tmp_path):
    """The next scan takes them from its cache, without which it comes to the same."""
    cache = tmp_path / "scan.json"
    _write(raw / "a.fits")
    _write(raw / "a.fits.fz", packed="fz")
    _write(raw / "other.fits", 3, cards=CARDS | {"DATE-OBS": "2026-03-24T22:20:00"})
    first = scan_folders([raw], cache, True)
    records = json.loads(cache.read_text())["files"]
    assert ["pixels" in record for record in records.values()] == [True, True, False]
    for record in records.values():
        record["pixels"] = record.get("pixels") and "kept"
    text = json.loads(cache.read_text()) | {"files": records}
    cache.write_text(json.dumps(text))
    assert [file.pixels for file in scan_folders([raw], cache, False)] == ["kept", "kept", None]
    assert scan_folders([raw], None, False) == first


@pytest.mark.parametrize("packed", ["", "fz", "gz"])
def test_first_rows_are_read_alone(raw, packed):
    """They are those of the whole frame, whatever it is packed by."""
    _write(raw / "a.fits", packed=packed)
    with open_raw(raw / "a.fits") as whole, open_raw(raw / "a.fits", most_rows=32) as few:
        assert few.shape == (32, SHAPE[1])
        np.testing.assert_array_equal(few.data(), whole.data()[:32])
