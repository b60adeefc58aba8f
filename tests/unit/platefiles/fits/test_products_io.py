import gc
import gzip
import hashlib
import os
import tempfile
import tracemalloc
import warnings

import numpy as np
import pytest
from astropy.io import fits
from astropy.table import Table

from platefiles.core.frame_errors import FrameError
from platefiles.fits.products_io import (
    has_image,
    image_hdu,
    read_header,
    read_image,
    read_table,
    table_hdu,
    write_product,
)
from platefiles.raw_folders.scan import scan_folders
from platefiles.raw_frames.raw_frame import open_raw

SHAPE = (30, 41)
DTYPES = ("u1", "i1", "i2", "u2", "i4", "u4", "i8", "f4", "f8")
NEVER = ("i8", True)  # the standard compresses no 64-bit integers


def _pixels(dtype):
    rng = np.random.default_rng(5)
    if np.dtype(dtype).kind == "f":
        return rng.normal(1000, 20, SHAPE).astype(dtype)
    limits = np.iinfo(dtype)
    return rng.integers(max(limits.min, -5000), min(limits.max, 65000), SHAPE).astype(dtype)


def _hdu(pixels, compressed):
    if not compressed:
        return fits.PrimaryHDU(pixels)
    if pixels.dtype.kind == "f":
        return fits.CompImageHDU(pixels, compression_type="GZIP_2", quantize_level=0)
    return fits.CompImageHDU(pixels, compression_type="RICE_1")


def _expected(path):
    """Physical values as astropy reads them, in float32."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        with fits.open(path) as hdus:
            image = next(hdu for hdu in hdus if hdu.is_image and hdu.header["NAXIS"] == 2)
            return image.data.astype(np.float32)


@pytest.mark.parametrize(
    ("dtype", "compressed"),
    [(dtype, packed) for dtype in DTYPES for packed in (False, True) if (dtype, packed) != NEVER],
)
def test_every_format_reads_as_astropy_reads_it(tmp_path, dtype, compressed):
    """All BITPIX, signed or not, plain or tile-compressed, give astropy's values in float32."""
    path = tmp_path / "a.fits"
    _hdu(_pixels(dtype), compressed).writeto(path)
    with open_raw(path) as raw:
        values = raw.data()
        assert raw.shape == SHAPE
    assert values.dtype == np.float32
    assert values.dtype.isnative
    np.testing.assert_array_equal(values, _expected(path))


@pytest.mark.parametrize("compressed", [False, True])
@pytest.mark.parametrize(("zero", "scale"), [(0, 1), (32768, 1), (10, 0.5)])
def test_blank_pixels_are_nan_and_the_others_scaled(tmp_path, compressed, zero, scale):
    """BLANK is a value of the file before BSCALE and BZERO, which apply to all other pixels."""
    words = np.random.default_rng(3).integers(-3000, 3000, SHAPE).astype(np.int16)
    words[3, 4] = -32768
    hdu = _hdu(words, compressed)
    for key, value in (("BSCALE", scale), ("BZERO", zero), ("BLANK", -32768)):
        hdu.header[key] = value
    path = tmp_path / "a.fits"
    hdu.writeto(path)
    with open_raw(path) as raw:
        values = raw.data()
    wanted = (words * np.float64(scale) + zero).astype(np.float32)
    wanted[3, 4] = np.nan
    np.testing.assert_array_equal(values, wanted)


def test_large_unsigned_integers_keep_their_precision(tmp_path):
    """32-bit counts that differ by one stay different, though BZERO is 2147483648."""
    path = tmp_path / "a.fits"
    fits.PrimaryHDU(np.arange(12, dtype=np.uint32).reshape(3, 4) + np.uint32(60000)).writeto(path)
    with open_raw(path) as raw:
        assert np.array_equal(raw.data().ravel(), np.arange(12) + 60000)


def test_infinite_pixels_are_no_data(tmp_path):
    """Infinity in a float image is NaN."""
    pixels = np.ones((3, 4), dtype=np.float32)
    pixels[1, 2], pixels[2, 1] = np.inf, np.nan
    fits.PrimaryHDU(pixels).writeto(tmp_path / "a.fits")
    with open_raw(tmp_path / "a.fits") as raw:
        assert np.array_equal(np.isnan(raw.data()), ~np.isfinite(pixels))


@pytest.mark.parametrize("name", ["a.fits.gz", "a.fits"])
def test_packed_frames_are_known_by_their_bytes(tmp_path, name):
    """A gzip-packed frame is read whatever its name."""
    pixels = _pixels("u2")
    fits.PrimaryHDU(pixels).writeto(tmp_path / "plain.fits")
    (tmp_path / name).write_bytes(gzip.compress((tmp_path / "plain.fits").read_bytes()))
    with open_raw(tmp_path / name) as raw:
        np.testing.assert_array_equal(raw.rows(4, 9), pixels[4:9])


@pytest.mark.parametrize("compressed", [False, True])
def test_bands_of_rows_are_parts_of_the_whole(tmp_path, compressed):
    """Rows a to b are those of the whole image."""
    path = tmp_path / "a.fits"
    _hdu(_pixels("u2"), compressed).writeto(path)
    with open_raw(path) as raw:
        whole = raw.data()
        np.testing.assert_array_equal(raw.rows(7, 20), whole[7:20])
        np.testing.assert_array_equal(raw.rows(29, 30), whole[29:])


def test_image_in_the_first_extension(tmp_path):
    """An image in HDU 1 is found, and its header has the cards of the primary one below it."""
    primary = fits.PrimaryHDU()
    primary.header["FILTER"], primary.header["GAIN"] = "Ha", 1
    image = fits.ImageHDU(_pixels("i2"))
    image.header["GAIN"] = 2
    fits.HDUList([primary, image]).writeto(tmp_path / "a.fits")
    with open_raw(tmp_path / "a.fits") as raw:
        np.testing.assert_array_equal(raw.data(), image.data)
        assert (raw.header["FILTER"], raw.header["GAIN"]) == ("Ha", 2)


@pytest.mark.parametrize(
    ("dtype", "scale"), [("u1", 255.0), ("i2", 32767.0), ("u2", 65535.0), ("f4", np.inf)]
)
def test_full_scale_is_the_largest_count(tmp_path, dtype, scale):
    """The largest value that a format holds tells where a frame is burnt."""
    _hdu(_pixels(dtype), False).writeto(tmp_path / "a.fits")
    with open_raw(tmp_path / "a.fits") as raw:
        assert raw.full_scale == scale


def test_text_is_no_frame(tmp_path):
    """A text file and an empty file named .fits are refused with the reason."""
    for content, reason in ((b"not a frame\n" * 400, "is not a FITS file"), (b"", "is empty")):
        (tmp_path / "a.fits").write_bytes(content)
        with pytest.raises(FrameError, match=reason):
            open_raw(tmp_path / "a.fits")


@pytest.mark.parametrize("missing", [1, 1000, 2000])
def test_cut_short_frame(tmp_path, missing):
    """A frame without its last pixels is refused, one without its padding is whole."""
    path = tmp_path / "a.fits"
    fits.PrimaryHDU(_pixels("u2")).writeto(path)
    with fits.open(path) as hdus:
        end = hdus.fileinfo(0)["datLoc"] + 2 * SHAPE[0] * SHAPE[1]
    os.truncate(path, end)
    with open_raw(path) as raw:
        np.testing.assert_array_equal(raw.data(), _pixels("u2"))
    os.truncate(path, end - missing)
    with pytest.raises(FrameError, match="is cut short: [0-9]+ bytes of [0-9]+"):
        open_raw(path)


def test_cut_short_packed_frame(tmp_path):
    """A gzip stream without its end is refused."""
    fits.PrimaryHDU(_pixels("u2")).writeto(tmp_path / "a.fits")
    packed = gzip.compress((tmp_path / "a.fits").read_bytes())
    for content in (packed[:-40], packed[:200] + bytes(50) + packed[250:]):
        (tmp_path / "b.fits.gz").write_bytes(content)
        with pytest.raises(FrameError, match="it cannot be decompressed"):
            open_raw(tmp_path / "b.fits.gz")


def test_packed_bomb_is_refused(tmp_path, monkeypatch):
    """A gzip stream that goes on and on behind its image is given up, with little written."""
    monkeypatch.setattr("platefiles.raw_frames.raw_file._MOST_BEHIND", 3_000_000)
    fits.PrimaryHDU(_pixels("u2")).writeto(tmp_path / "a.fits")
    content = (tmp_path / "a.fits").read_bytes()
    for extra, refused in ((2_000_000, False), (9_000_000, True)):
        (tmp_path / "b.fits.gz").write_bytes(gzip.compress(content + bytes(extra)))
        if refused:
            with pytest.raises(FrameError, match="unpacks to far more than its header announces"):
                open_raw(tmp_path / "b.fits.gz")
        else:
            with open_raw(tmp_path / "b.fits.gz") as raw:
                np.testing.assert_array_equal(raw.data(), _pixels("u2"))


def _one_tile(packed, **cards):
    """Make a compressed image of 40 x 30 words in one gzip-packed tile."""
    columns = [fits.Column("COMPRESSED_DATA", "1PB()", array=[np.frombuffer(packed, np.uint8)])]
    table = fits.BinTableHDU.from_columns(columns)
    facts = {"ZIMAGE": True, "ZCMPTYPE": "GZIP_1", "ZBITPIX": 16, "ZNAXIS": 2, "ZNAXIS1": 40}
    table.header.update({**facts, "ZNAXIS2": 30, "ZTILE1": 40, "ZTILE2": 30, **cards})
    return fits.HDUList([fits.PrimaryHDU(), table])


def test_a_tile_that_unpacks_to_gigabytes_is_given_up(tmp_path):
    """A tile is unpacked no further than its pixels can go, however little it takes in the file."""
    pixels = np.arange(1200, dtype=">i2").reshape(30, 40)
    streams = [gzip.compress(pixels.tobytes()[:900]), gzip.compress(pixels.tobytes()[900:])]
    for packed in (gzip.compress(pixels.tobytes()), b"".join(streams)):
        _one_tile(packed).writeto(tmp_path / "a.fits", overwrite=True)
        with open_raw(tmp_path / "a.fits") as raw:
            np.testing.assert_array_equal(raw.data(), pixels)
    _one_tile(gzip.compress(bytes(300_000_000))).writeto(tmp_path / "b.fits")
    tracemalloc.start()
    try:
        with pytest.raises(FrameError, match="has damaged data in rows 0 to 30"):
            open_raw(tmp_path / "b.fits")
        assert tracemalloc.get_traced_memory()[1] < 20_000_000
    finally:
        tracemalloc.stop()


@pytest.mark.parametrize("ending", ["gz", "fz"])
def test_unpacked_frame_has_no_name(tmp_path, monkeypatch, ending):
    """What a packed frame is unpacked to is gone with the process, however that ends."""
    scratch = tmp_path / "scratch"
    scratch.mkdir()
    monkeypatch.setattr("tempfile.tempdir", str(scratch))
    _packed(tmp_path, ending)
    with open_raw(tmp_path / f"a.fits.{ending}") as raw:
        assert os.listdir(scratch) == []
        np.testing.assert_array_equal(raw.data(), _pixels("u2"))


def _packed(folder, ending):
    """Write a frame that is packed as a whole or tile by tile."""
    fits.PrimaryHDU(_pixels("u2")).writeto(folder / "a.fits")
    if ending == "gz":
        (folder / "a.fits.gz").write_bytes(gzip.compress((folder / "a.fits").read_bytes()))
    else:
        _hdu(_pixels("u2"), True).writeto(folder / "a.fits.fz")


@pytest.mark.parametrize("ending", ["gz", "fz"])
def test_no_room_to_unpack_names_the_folder(tmp_path, monkeypatch, ending):
    """A full disk for temporary files is no fault of the frame, and is named."""
    _packed(tmp_path, ending)

    def full():
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("tempfile.TemporaryFile", full)
    with pytest.raises(OSError, match="No space left") as caught:
        open_raw(tmp_path / f"a.fits.{ending}")
    assert caught.value.filename == tempfile.gettempdir()


def test_damaged_tiles_are_found(tmp_path):
    """A tile-compressed frame with damaged data is refused with the rows that are damaged."""
    path = tmp_path / "a.fits.fz"
    _hdu(_pixels("f4"), True).writeto(path)
    content = bytearray(path.read_bytes())
    with fits.open(path, disable_image_compression=True) as hdus:
        start = hdus[1].fileinfo()["datLoc"] + hdus[1].header["NAXIS1"] * hdus[1].header["NAXIS2"]
    content[start : start + 400] = bytes(400)
    path.write_bytes(content)
    with pytest.raises(FrameError, match="has damaged data in rows 0 to 30"):
        open_raw(path)


@pytest.mark.parametrize("kind", ["plain", "extension", "with a tail", "compressed", "packed"])
def test_digest_is_that_of_the_file(tmp_path, kind):
    """SHA-256 is taken of all bytes as they lie on the disk, whatever they are."""
    path = tmp_path / "a.fits"
    hdu = _hdu(_pixels("u2"), kind == "compressed")
    hdus = [hdu] if isinstance(hdu, fits.PrimaryHDU) else [fits.PrimaryHDU(), hdu]
    if kind == "extension":
        hdus = [fits.PrimaryHDU(), fits.ImageHDU(hdu.data)]
    if kind == "with a tail":
        hdus.append(fits.ImageHDU(_pixels("f4")))
    fits.HDUList(hdus).writeto(path)
    if kind == "packed":
        path.write_bytes(gzip.compress(path.read_bytes()))
    with open_raw(path) as raw:
        assert raw.sha256() == hashlib.sha256(path.read_bytes()).hexdigest()


@pytest.mark.parametrize(
    ("shape", "reason"),
    [
        ((2, 5, 6), r"is a cube \(2 planes\)"),
        ((7,), r"holds no two-dimensional image \(NAXIS = 1\)"),
        (None, r"holds no two-dimensional image \(NAXIS = 0\)"),
    ],
)
def test_only_two_dimensional_images_are_frames(tmp_path, shape, reason):
    """A cube, a spectrum and a file without data are refused."""
    data = None if shape is None else np.zeros(shape, dtype=np.int16)
    fits.PrimaryHDU(data).writeto(tmp_path / "a.fits")
    with pytest.raises(FrameError, match=reason):
        open_raw(tmp_path / "a.fits")


@pytest.mark.parametrize("axes", [3, 4])
@pytest.mark.parametrize("packed", [False, True])
def test_an_axis_of_one_plane_is_no_cube(tmp_path, axes, packed):
    """NAXIS3 = 1, and NAXIS4 = 1, leave a plane: axes of length 1, FITS 4.0, section 8.2."""
    pixels = _pixels("u2")
    hdu = _hdu(pixels[(None,) * (axes - 2)], packed)
    assert hdu.header["NAXIS"] == axes
    hdus = [hdu] if isinstance(hdu, fits.PrimaryHDU) else [fits.PrimaryHDU(), hdu]
    fits.HDUList(hdus).writeto(tmp_path / "a.fits")
    with open_raw(tmp_path / "a.fits") as raw:
        assert raw.shape == pixels.shape
        np.testing.assert_array_equal(raw.data(), pixels)
    (file,) = scan_folders([tmp_path], None, False)
    assert (file.reason, file.width_px, file.height_px) == ("", *pixels.shape[::-1])


def test_missing_file_is_no_fault_of_the_frame(tmp_path):
    """A vanished disk is an error of the system, which must not become a state of the sub."""
    with pytest.raises(FileNotFoundError):
        open_raw(tmp_path / "gone.fits")


def test_open_frame_holds_one_descriptor(tmp_path):
    """Hundreds of frames can be open at once, and closing them gives all back."""
    fits.PrimaryHDU(_pixels("u2")).writeto(tmp_path / "a.fits")
    gc.collect()  # what other tests left must not go in between
    before = len(os.listdir("/proc/self/fd"))
    frames = [open_raw(tmp_path / "a.fits") for _ in range(20)]
    assert len(os.listdir("/proc/self/fd")) <= before + 20
    for frame in frames:
        frame.close()
    del frames
    assert len(os.listdir("/proc/self/fd")) == before


def test_raw_files_are_never_written_to(tmp_path):
    """The map of a frame is read-only, and so may the file be."""
    fits.PrimaryHDU(_pixels("f4")).writeto(tmp_path / "a.fits")
    before = (tmp_path / "a.fits").read_bytes()
    with open_raw(tmp_path / "a.fits") as raw:
        raw.data()[:] = 0
    assert (tmp_path / "a.fits").read_bytes() == before


def _table():
    table = Table({"name": ["g-01.fits", "h\u00e9 \u0141.fits", "a\\b"], "x": [1.5, 2.5, 3.5]})
    table["x"].unit = "pix"
    table["x"].description = "place along rows"
    return table


def _write(path):
    image = np.arange(12, dtype=np.float32).reshape(3, 4)
    write_product(
        path,
        [("STEP", "test", "rule"), ("TITLE", "N\u00e9buleuse", ""), ("NAME", "x" * 60, "too long")],
        [image_hdu(image, "SCI", [("PLANE", 1)], unit="adu"), table_hdu(_table(), "ROWS")],
    )


def test_product_reads_back(tmp_path):
    """Images, tables, units and cards come back as they were; letters beyond ASCII are escaped."""
    path = tmp_path / "new" / "p.fits"
    _write(path)
    image, header = read_image(path)
    np.testing.assert_array_equal(image, np.arange(12).reshape(3, 4))
    assert (image.dtype, header["BUNIT"], header["PLANE"]) == (np.float32, "adu", 1)
    table = read_table(path, "ROWS")
    assert list(table["name"]) == list(_table()["name"])
    assert list(table["x"]) == [1.5, 2.5, 3.5]
    assert table["x"].dtype.isnative
    assert fits.getheader(path, "ROWS")["TCOMM2"] == "place along rows"
    primary = read_header(path)
    assert primary["TITLE"] == "N\\xe9buleuse"
    assert (primary["NAME"], primary.comments["NAME"]) == ("x" * 60, "")
    assert has_image(path, "SCI")
    assert not has_image(path, "VAR")


def test_checksums_hold_for_astropy(tmp_path):
    """CHECKSUM and DATASUM of every HDU are right for astropy; a changed bit breaks them."""
    path = tmp_path / "p.fits"
    _write(path)
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        with fits.open(path, checksum=True) as hdus:
            assert [hdu.verify_checksum() for hdu in hdus] == [1, 1, 1]
            assert [hdu.verify_datasum() for hdu in hdus] == [1, 1, 1]
            place = hdus.fileinfo(1)["datLoc"]
    content = bytearray(path.read_bytes())
    content[place] ^= 1
    path.write_bytes(content)
    with (
        pytest.warns(UserWarning, match="verification failed"),
        fits.open(path, checksum=True) as h,
    ):
        h[1].verify_datasum()
        assert h[1].data is not None


def test_equal_products_are_equal_bytes(tmp_path, monkeypatch):
    """The clock leaves no trace in a product."""
    _write(tmp_path / "a.fits")
    monkeypatch.setattr("time.time", lambda: 1.0e9)
    _write(tmp_path / "b.fits")
    assert (tmp_path / "a.fits").read_bytes() == (tmp_path / "b.fits").read_bytes()
    assert b"2026-" not in (tmp_path / "a.fits").read_bytes()


def test_product_is_whole_or_not_there(tmp_path, monkeypatch):
    """When the disk is full midway the old product stays and no part of the new one is left."""
    path = tmp_path / "p.fits"
    path.write_bytes(b"old")

    def full(*_):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(fits.ImageHDU, "_writeto", full)
    with pytest.raises(OSError, match="No space left"):
        _write(path)
    assert path.read_bytes() == b"old"
    assert os.listdir(tmp_path) == ["p.fits"]


def test_empty_tables_keep_their_columns(tmp_path):
    """A table without rows comes back with the types of its columns."""
    empty = Table(names=("name", "x"), dtype=("U5", "f8"))
    write_product(tmp_path / "p.fits", [], [table_hdu(empty, "ROWS")])
    table = read_table(tmp_path / "p.fits", "ROWS")
    assert [table[name].dtype.kind for name in table.colnames] == ["U", "f"]
    assert len(table) == 0
