import gzip
import json
import os
import random
import threading
import time
import warnings

import numpy as np
import pytest
from astropy.io import fits

from platefiles.core.errors import UserError
from platefiles.raw_folders import scan
from platefiles.raw_folders.scan import BEING_WRITTEN, scan_folders


def _fits(width=8, height=6, bitpix=16, fill=b"\1", **cards):
    """Write a minimal FITS file by hand, as bytes."""
    cards = {
        "SIMPLE": "T",
        "BITPIX": bitpix,
        "NAXIS": 2,
        "NAXIS1": width,
        "NAXIS2": height,
        **cards,
    }
    text = "".join(f"{key:<8}= {value:>20}".ljust(80) for key, value in cards.items())
    header = (text + "END".ljust(80)).encode("ascii")
    data = fill * (width * height * abs(bitpix) // 8)
    return _padded(header, b" ") + _padded(data, b"\0")


def _padded(content, filler):
    return content + filler * (-len(content) % 2880)


def _scan(folder, cache=None, write_cache=False):
    return {file.inside: file for file in scan_folders([folder], cache, write_cache)}


@pytest.mark.parametrize("name", ["a.fits", "a.FIT", "a.fts"])
@pytest.mark.parametrize("bitpix", [8, 16, 32, -32, -64])
def test_plain_images(tmp_path, name, bitpix):
    """Every ending and pixel type; width is NAXIS1."""
    (tmp_path / name).write_bytes(_fits(bitpix=bitpix, FILTER="'Ha'", EXPTIME=600.0))
    file = _scan(tmp_path)[name]
    assert (file.reason, file.width_px, file.height_px) == ("", 8, 6)
    assert file.header == {"BITPIX": bitpix, "FILTER": "Ha", "EXPTIME": 600.0}
    assert len(file.fingerprint) == 16


@pytest.mark.parametrize("name", ["a.fits.gz", "a.fit.gz", "packed_without_saying.fits"])
def test_gzipped_images(tmp_path, name):
    """A gzipped file is known by its content."""
    (tmp_path / name).write_bytes(gzip.compress(_fits(FILTER="'Ha'"), mtime=0))
    file = _scan(tmp_path)[name]
    assert (file.reason, file.width_px, file.header["FILTER"]) == ("", 8, "Ha")


@pytest.mark.parametrize("kind", ["RICE_1", "GZIP_1"])
def test_compressed_images(tmp_path, kind):
    """Size and cards come from the compressed image in HDU 1, as astropy writes it."""
    hdu = fits.CompImageHDU(np.arange(96, dtype=np.int16).reshape(6, 16), compression_type=kind)
    hdu.header["FILTER"] = "Ha"
    fits.HDUList([fits.PrimaryHDU(), hdu]).writeto(tmp_path / "a.fits.fz")
    file = _scan(tmp_path)["a.fits.fz"]
    assert (file.reason, file.width_px, file.height_px) == ("", 16, 6)
    assert file.header["FILTER"] == "Ha"


def test_image_in_the_first_extension(tmp_path):
    """The cards of the primary header count where the extension has none."""
    primary = fits.PrimaryHDU()
    primary.header["FILTER"], primary.header["EXPTIME"] = "Ha", 60.0
    image = fits.ImageHDU(np.zeros((6, 8), np.uint16))
    image.header["EXPTIME"] = 61.0
    fits.HDUList([primary, image]).writeto(tmp_path / "a.fits")
    file = _scan(tmp_path)["a.fits"]
    assert (file.width_px, file.height_px) == (8, 6)
    assert (file.header["FILTER"], file.header["EXPTIME"]) == ("Ha", 61.0)


def test_header_is_read_as_astropy_reads_it(tmp_path):
    """Text with quotes and slashes, exponents, logicals and text that is not ASCII."""
    header = fits.Header()
    header["OBJECT"] = "Barnard's / star"
    header["EXPTIME"] = 1.5e-3
    header["GAIN"] = (100, "setting / unit")
    header["CCD-TEMP"] = -10.25
    fits.PrimaryHDU(np.zeros((6, 8), np.float32), header).writeto(tmp_path / "a.fits")
    ours, theirs = _scan(tmp_path)["a.fits"].header, fits.getheader(tmp_path / "a.fits")
    assert {key: theirs[key] for key in ours if key != "/GAIN"} == {
        key: value for key, value in ours.items() if key != "/GAIN"
    }
    assert ours["/GAIN"] == "setting / unit"


@pytest.mark.parametrize(
    ("content", "reason"),
    [
        (b"", "is empty (0 bytes)"),
        (b"just some text\n" * 400, "is not a FITS file"),
        (_fits()[:1000], "is cut short inside its header"),
        (_fits(width=400, height=300)[:-9000], "is cut short: "),
        (_fits().replace(b"END", b"ENT"), "is cut short inside its header"),
        (_fits(NAXIS=0)[:2880], "holds no two-dimensional image (NAXIS = 0)"),
        (_fits(NAXIS=3, NAXIS3=3, fill=b"\1" * 3), "is a colour image (3 planes)"),
        (_fits(NAXIS=3, NAXIS3=50, fill=b"\1" * 50), "is a cube (50 planes)"),
        (_fits(NAXIS=1), "holds no two-dimensional image (NAXIS = 1)"),
        (_fits(NAXIS=998), "has an impossible NAXIS in its header (998)"),
        (_fits(NAXIS=-2), "has an impossible NAXIS in its header (-2)"),
        (_fits(NAXIS1=-8), "has an impossible NAXIS1 in its header (-8)"),
        (_fits(GCOUNT=3), "has an impossible GCOUNT in its header (3)"),
        (_fits(BITPIX=17), "has an impossible BITPIX in its header (17)"),
        (_fits(NAXIS1=10**12), "is cut short: "),
        (gzip.compress(_fits(), mtime=0)[:60], "it cannot be decompressed"),
        (_fits(NAXIS=0)[:2880] + _padded(b"XTENSION= 'TABLE   '".ljust(80) + b"END", b" "),
         "holds no image in its first two parts"),
    ],
)  # fmt: skip
def test_bad_files_have_a_reason(tmp_path, content, reason):
    """A file that cannot be used is listed with the reason, and others go on."""
    (tmp_path / "bad.fits").write_bytes(content)
    (tmp_path / "good.fits").write_bytes(_fits())
    files = _scan(tmp_path)
    assert reason in files["bad.fits"].reason
    assert files["good.fits"].reason == ""


def test_damaged_headers_never_raise(tmp_path):
    """Hundreds of files with random bytes changed in their headers are read or have a reason."""
    rng = random.Random(20260301)
    hdu = fits.CompImageHDU(np.arange(96, dtype=np.int16).reshape(6, 16))
    fits.HDUList([fits.PrimaryHDU(), hdu]).writeto(tmp_path / "seed.fits")
    cards = {"GAIN": 100, "CCD-TEMP": -10.0, "DATE-OBS": "'2026-03-01T21:30:00'", "FILTER": "'Ha'"}
    seeds = [_fits(**cards), (tmp_path / "seed.fits").read_bytes()]
    for number in range(400):
        content = bytearray(seeds[number % 2])
        for _ in range(rng.choice([1, 3, 30])):
            content[rng.randrange(min(len(content), 3600))] = rng.randrange(256)
        if number % 7 == 0:
            del content[rng.randrange(len(content)) :]
        (tmp_path / f"{number:03d}.fits").write_bytes(content)
    files = scan_folders([tmp_path], tmp_path / "cache.json", True)
    assert len(files) == 401
    assert all(file.reason or (file.width_px > 0 and file.height_px > 0) for file in files)
    assert sum(bool(file.reason) for file in files) > 50
    assert scan_folders([tmp_path], tmp_path / "cache.json", True) == files


def test_what_is_looked_through(tmp_path):
    """Folders inside and links are, in order; hidden files, hidden folders and others are not."""
    names = ["b/2.fits", "b/10.fits", "a.fits", ".hidden/x.fits", ".x.fits", "notes.txt", "x.fz"]
    for name in names:
        (tmp_path / "raw" / name).parent.mkdir(parents=True, exist_ok=True)
        (tmp_path / "raw" / name).write_bytes(_fits(OBJECT=f"'{name}'"))
    (tmp_path / "other").mkdir()
    (tmp_path / "other" / "z.fits").write_bytes(_fits())
    (tmp_path / "raw" / "linked").symlink_to(tmp_path / "other")
    (tmp_path / "raw" / "nowhere.fits").symlink_to(tmp_path / "gone.fits")
    (tmp_path / "raw" / "round").symlink_to(tmp_path / "raw")
    os.mkfifo(tmp_path / "raw" / "pipe.fits")
    assert list(_scan(tmp_path / "raw")) == ["a.fits", "b/10.fits", "b/2.fits", "linked/z.fits"]


def test_a_file_reached_twice_counts_once(tmp_path):
    """Overlapping raw folders and links to files bring no copies."""
    (tmp_path / "night").mkdir()
    (tmp_path / "night" / "a.fits").write_bytes(_fits())
    (tmp_path / "night" / "b.fits").symlink_to(tmp_path / "night" / "a.fits")
    found = scan_folders([tmp_path, tmp_path / "night", tmp_path], None, False)
    assert [file.inside for file in found] == ["night/a.fits"]


@pytest.mark.parametrize(
    "name",
    [b"a b.fits", b"'q\".fits", b"$(touch x).fits", b"{x}.fits", b"n\nl.fits", b"\xff\xfe.fits"],
)
def test_odd_names(tmp_path, name):
    """Odd file names are found, kept through the cache and shown printable."""
    path = os.path.join(os.fsencode(tmp_path), name)
    with open(path, "wb") as file:
        file.write(_fits())
    cache = tmp_path / "cache.json"
    first, second = (scan_folders([tmp_path], cache, True) for _ in range(2))
    assert first == second
    assert os.fsencode(second[0].path) == path
    assert second[0].name.isprintable()


def test_unchanged_files_are_not_read_again(tmp_path, monkeypatch):
    """Size and time alone are looked at; a changed file is read; one that is gone is dropped."""
    cache = tmp_path / "results" / "cache.json"
    raw = tmp_path / "raw"
    raw.mkdir()
    for name in "ab":
        (raw / f"{name}.fits").write_bytes(_fits(OBJECT=f"'{name}'"))
    before = _scan(raw, cache, True)
    content = cache.read_bytes()
    read, really = [], scan.read_record
    monkeypatch.setattr(
        scan, "read_record", lambda path, size: read.append(path) or really(path, size)
    )
    assert _scan(raw, cache, True) == before
    assert read == []
    (raw / "b.fits").write_bytes(_fits(width=9))
    (raw / "a.fits").unlink()
    changed = _scan(raw, cache, False)
    assert read == [str(raw / "b.fits")]
    assert (list(changed), changed["b.fits"].width_px) == (["b.fits"], 9)
    assert cache.read_bytes() == content
    assert _scan(raw, cache, True) == changed
    assert list(json.loads(cache.read_bytes())["files"]) == [str(raw / "b.fits")]


def test_cache_is_written_only_if_changed(tmp_path):
    """A second scan leaves the cache file as it is."""
    cache = tmp_path / "results" / "cache.json"
    (tmp_path / "a.fits").write_bytes(_fits())
    _scan(tmp_path, cache, False)
    assert not cache.exists()
    _scan(tmp_path, cache, True)
    os.utime(cache, ns=(1, 1))
    _scan(tmp_path, cache, True)
    assert cache.stat().st_mtime_ns == 1


@pytest.mark.parametrize("content", [b"", b"[]", b"{", b'{"version": 1}', b'{"files": 3}', b"\xff"])
def test_a_damaged_cache_is_as_good_as_none(tmp_path, content):
    """Whatever the cache holds, the folders are read."""
    (tmp_path / "a.fits").write_bytes(_fits())
    (tmp_path / "cache.json").write_bytes(content)
    assert _scan(tmp_path, tmp_path / "cache.json", True)["a.fits"].width_px == 8
    assert json.loads((tmp_path / "cache.json").read_bytes())["files"]


def test_fingerprint_follows_the_content(tmp_path):
    """Not name, folder or time, but header, size and the end of the data."""
    contents = {
        "a": _fits(), "copy": _fits(), "header": _fits(GAIN=1), "data": _fits(fill=b"\2"),
        "size": _fits() + bytes(2880),
    }  # fmt: skip
    for name, content in contents.items():
        (tmp_path / f"{name}.fits").write_bytes(content)
    marks = {name[:-5]: file.fingerprint for name, file in _scan(tmp_path).items()}
    assert marks["a"] == marks["copy"]
    assert len(set(marks.values())) == 4


def test_a_file_that_vanishes_is_no_error(tmp_path, monkeypatch):
    """It is left out, as if it had never been there."""
    (tmp_path / "a.fits").write_bytes(_fits())
    (tmp_path / "b.fits").write_bytes(_fits())
    really = scan.read_record

    def vanish(path, size):
        if path.endswith("a.fits"):
            os.unlink(path)
        return really(path, size)

    monkeypatch.setattr(scan, "read_record", vanish)
    assert list(_scan(tmp_path)) == ["b.fits"]


def test_a_file_that_cannot_be_opened_is_tried_again(tmp_path, monkeypatch):
    """The reason is given, but not kept in the cache."""
    (tmp_path / "a.fits").write_bytes(_fits())
    cache = tmp_path / "cache.json"

    def refuse(path, size):
        raise PermissionError(13, "Permission denied", path)

    with monkeypatch.context() as patch:
        patch.setattr(scan, "read_record", refuse)
        reason = _scan(tmp_path, cache, True)["a.fits"].reason
    assert reason == "cannot be opened: Permission denied"
    assert _scan(tmp_path, cache, True)["a.fits"].reason == ""


def test_a_missing_folder_is_one_sentence(tmp_path):
    """It names the folder and the key."""
    with pytest.raises(UserError, match=r"no raw folder .*/nowhere: correct `raw` in the project"):
        scan_folders([tmp_path / "nowhere"], None, False)


def test_a_frame_of_the_same_size_and_time_is_read_again(tmp_path):
    """A copy that is put back has the time of the file that it replaces; the system knows."""
    raw, cache = tmp_path / "raw", tmp_path / "scan.json"
    raw.mkdir()
    path = raw / "a.fits"
    path.write_bytes(_fits(FILTER="'Ha'"))
    info = os.stat(path)
    (first,) = scan_folders([raw], cache, True)
    path.write_bytes(_fits(FILTER="'OI'"))
    os.utime(path, ns=(info.st_atime_ns, info.st_mtime_ns))
    (second,) = scan_folders([raw], cache, True)
    assert second.header["FILTER"] == "OI"
    assert second.fingerprint != first.fingerprint


def test_readable_headers_agree_with_astropy(tmp_path):
    """A damaged file that passes the scan has the size that astropy reads, or astropy refuses."""
    rng = random.Random(7)
    agreed = 0
    for _ in range(300):
        content = bytearray(_fits(width=30, height=20))
        for _ in range(2):
            content[rng.randrange(8, 400)] = rng.choice(b" 0123456789/")
        (tmp_path / "a.fits").write_bytes(content)
        file = _scan(tmp_path)["a.fits"]
        if file.reason:
            continue
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            try:
                shape = fits.getdata(tmp_path / "a.fits").shape
            except Exception:
                continue
        assert shape == (file.height_px, file.width_px)
        agreed += 1
    assert agreed > 5


def _aged(path, seconds):
    moment = time.time() - seconds
    os.utime(path, (moment, moment))


def test_a_growing_file_is_left_for_the_next_scan(tmp_path):
    """A file that grows while the folder is looked through waits; the next scan takes it."""
    raw, cache, content = tmp_path / "raw", tmp_path / "cache.json", _fits(width=400, height=300)
    raw.mkdir()
    (raw / "whole.fits").write_bytes(_fits())
    stop = threading.Event()

    def camera():
        with open(raw / "new.fits", "wb", buffering=0) as file:
            file.write(content)
            while not stop.wait(0.005):
                file.write(b"more")

    writer = threading.Thread(target=camera)
    writer.start()
    try:
        while not (raw / "new.fits").exists() or os.path.getsize(raw / "new.fits") < len(content):
            time.sleep(0.001)
        files = {file.inside: file for file in scan_folders([raw], cache, True, 0.2)}
    finally:
        stop.set()
        writer.join()
    assert files["new.fits"].reason == BEING_WRITTEN
    assert files["whole.fits"].reason == ""
    assert list(json.loads(cache.read_bytes())["files"]) == [str(raw / "whole.fits")]
    assert [file.reason for file in scan_folders([raw], cache, True, 0.01)] == ["", ""]


def test_a_file_that_is_filled_without_growing_waits(tmp_path, monkeypatch):
    """A file that has its size from the start but is still written to waits, too."""
    path = tmp_path / "a.fits"
    path.write_bytes(_fits())
    monkeypatch.setattr(time, "sleep", lambda _: _aged(path, -1))
    assert [file.reason for file in scan_folders([tmp_path], None, False, 5.0)] == [BEING_WRITTEN]


@pytest.mark.parametrize(
    ("content", "age_s", "reason"),
    [
        (_fits(width=400)[:4000], 5, BEING_WRITTEN),
        (_fits()[:1000], 5, BEING_WRITTEN),
        (b"", 5, BEING_WRITTEN),
        (b"", -9000, BEING_WRITTEN),
        (b"", 300, "is empty (0 bytes)"),
        (_fits(width=400)[:4000], 300, "is cut short: 4000 bytes of 7680"),
        (_fits(), 5, ""),
        (_fits(), -9000, ""),
    ],
)
def test_half_a_file_waits_while_it_is_young(tmp_path, monkeypatch, content, age_s, reason):
    """Half a frame of the last minute may be one that a camera writes; an old one is cut short.

    A whole file from the future, as after a clock was set back, is as good as any.
    """
    monkeypatch.setattr(time, "sleep", lambda _: None)
    (tmp_path / "a.fits").write_bytes(content)
    _aged(tmp_path / "a.fits", age_s)
    cache = tmp_path / "cache.json"
    (file,) = scan_folders([tmp_path], cache, True, 2.0)
    assert file.reason == reason
    kept = list(json.loads(cache.read_bytes())["files"]) if cache.exists() else []
    assert kept == ([] if reason == BEING_WRITTEN else [file.path])


def test_known_and_old_files_are_not_waited_for(tmp_path, monkeypatch):
    """The scan waits once for fresh files, and never for known or old ones."""
    for name in ("a.fits", "b.fits"):
        (tmp_path / name).write_bytes(_fits(OBJECT=f"'{name}'"))
    waits = []
    monkeypatch.setattr(time, "sleep", waits.append)
    cache = tmp_path / "cache.json"
    for _ in range(3):
        scan_folders([tmp_path], cache, True, 2.0)
    assert waits == [2.0]
    (tmp_path / "c.fits").write_bytes(_fits(OBJECT="'c'"))
    _aged(tmp_path / "c.fits", 10)
    scan_folders([tmp_path], cache, True, 2.0)
    assert waits == [2.0]


def _table(**cards):
    """Write an empty primary HDU and the header of a compressed image, with 96 bytes of data."""
    usual = {
        "XTENSION": "'BINTABLE'", "BITPIX": 8, "NAXIS": 2, "NAXIS1": 8, "NAXIS2": 6, "PCOUNT": 48,
        "GCOUNT": 1, "TFIELDS": 1, "TTYPE1": "'COMPRESSED_DATA'", "TFORM1": "'1PB(8)'",
        "ZIMAGE": "T", "ZBITPIX": 16, "ZNAXIS": 2, "ZNAXIS1": 16, "ZNAXIS2": 6, "ZTILE1": 16,
        "ZTILE2": 1, "ZCMPTYPE": "'RICE_1'", "ZNAME1": "'BLOCKSIZE'", "ZVAL1": 32,
        "ZNAME2": "'BYTEPIX'", "ZVAL2": 2,
    }  # fmt: skip
    text = "".join(f"{key:<8}= {value:>20}".ljust(80) for key, value in {**usual, **cards}.items())
    head = _padded(
        b"SIMPLE  =                    T".ljust(80)
        + b"BITPIX  =   8".ljust(80)
        + b"NAXIS   =                    0".ljust(80)
        + b"END".ljust(80),
        b" ",
    )
    return head + _padded(text.encode() + b"END".ljust(80), b" ") + bytes(2880)


@pytest.mark.parametrize(
    ("content", "reason"),
    [
        (_table(), ""),
        (_table(ZNAXIS1=90_000, ZNAXIS2=90_000), "impossible image size in its header (90000x9000"),
        (_table(ZNAXIS1=10**18), "impossible image size"),
        (_table(ZNAXIS1=60_000, ZTILE1=60_000, ZBITPIX=64), "does not fit its header"),
        (_table(ZTILE2=6), "does not fit its header"),
        (_table(ZTILE1=2**31, ZTILE2=1), "does not fit its header"),
        (_table(ZVAL2=-1), "does not fit its header"),
        (_table(ZVAL2=2**31 - 1), "does not fit its header"),
        (_table(ZVAL1=0), "does not fit its header"),
        (_table(ZBITPIX=128), "does not fit its header"),
        (_table(PCOUNT=10**15), "is cut short"),
        (_table(NAXIS2=10**15), "does not fit its header"),
        (_table(ZCMPTYPE="'HCOMPRESS_1'"), "is packed by HCOMPRESS_1: unpack it, or pack it by"),
        (_table(ZCMPTYPE="'PLIO_1'"), "is packed by PLIO_1: "),
        (_table(XTENSION="'TABLE'"), "holds no image in its first two parts"),
        (_fits(NAXIS1=99_000, NAXIS2=99_000, BITPIX=-64), "is cut short"),
        (gzip.compress(_fits(NAXIS1=20_000, NAXIS2=20_000), mtime=0), "more than can be packed"),
    ],
)  # fmt: skip
def test_what_a_header_makes_believe_is_refused_unread(tmp_path, content, reason):
    """Sizes beyond any camera, the file or the compression limit have a reason."""
    (tmp_path / "a.fits").write_bytes(content)
    assert reason in _scan(tmp_path)["a.fits"].reason
    assert bool(_scan(tmp_path)["a.fits"].reason) == bool(reason)


def test_a_sparse_giant_is_refused(tmp_path):
    """A file that has the 80 GB that its header announces, but on no disk, is no frame."""
    path = tmp_path / "a.fits"
    path.write_bytes(_fits(NAXIS1=100_000, NAXIS2=100_000, BITPIX=-64)[:2880])
    os.truncate(path, 2880 + 80_000_000_000)
    assert _scan(tmp_path)["a.fits"].reason == (
        "has an impossible image size in its header (100000x100000 px)"
    )
