import gzip
import os
import tempfile
import tracemalloc

import numpy as np
import pytest
from astropy.io import fits
from unit.platefiles.raw_frames.written_frames import SHAPE, hdu_of, pixels_of

from platefiles.core.frame_errors import FrameError
from platefiles.raw_folders.scan import scan_folders
from platefiles.raw_frames.raw_frame import open_raw


@pytest.mark.parametrize("name", ["a.fits.gz", "a.fits"])
def test_packed_frames_are_known_by_their_bytes(tmp_path, name):
    """A gzip-packed frame is read whatever its name."""
    pixels = pixels_of("u2")
    fits.PrimaryHDU(pixels).writeto(tmp_path / "plain.fits")
    (tmp_path / name).write_bytes(gzip.compress((tmp_path / "plain.fits").read_bytes()))
    with open_raw(tmp_path / name) as raw:
        np.testing.assert_array_equal(raw.rows(4, 9), pixels[4:9])


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
    fits.PrimaryHDU(pixels_of("u2")).writeto(path)
    with fits.open(path) as hdus:
        end = hdus.fileinfo(0)["datLoc"] + 2 * SHAPE[0] * SHAPE[1]
    os.truncate(path, end)
    with open_raw(path) as raw:
        np.testing.assert_array_equal(raw.data(), pixels_of("u2"))
    os.truncate(path, end - missing)
    with pytest.raises(FrameError, match="is cut short: [0-9]+ bytes of [0-9]+"):
        open_raw(path)


def test_cut_short_packed_frame(tmp_path):
    """A gzip stream without its end is refused."""
    fits.PrimaryHDU(pixels_of("u2")).writeto(tmp_path / "a.fits")
    packed = gzip.compress((tmp_path / "a.fits").read_bytes())
    for content in (packed[:-40], packed[:200] + bytes(50) + packed[250:]):
        (tmp_path / "b.fits.gz").write_bytes(content)
        with pytest.raises(FrameError, match="it cannot be decompressed"):
            open_raw(tmp_path / "b.fits.gz")


def test_packed_bomb_is_refused(tmp_path, monkeypatch):
    """A gzip stream that goes on and on behind its image is given up, with little written."""
    monkeypatch.setattr("platefiles.raw_frames.raw_file._MOST_BEHIND", 3_000_000)
    fits.PrimaryHDU(pixels_of("u2")).writeto(tmp_path / "a.fits")
    content = (tmp_path / "a.fits").read_bytes()
    for extra, refused in ((2_000_000, False), (9_000_000, True)):
        (tmp_path / "b.fits.gz").write_bytes(gzip.compress(content + bytes(extra)))
        if refused:
            with pytest.raises(FrameError, match="unpacks to far more than its header announces"):
                open_raw(tmp_path / "b.fits.gz")
        else:
            with open_raw(tmp_path / "b.fits.gz") as raw:
                np.testing.assert_array_equal(raw.data(), pixels_of("u2"))


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
        np.testing.assert_array_equal(raw.data(), pixels_of("u2"))


def _packed(folder, ending):
    """Write a frame that is packed as a whole or tile by tile."""
    fits.PrimaryHDU(pixels_of("u2")).writeto(folder / "a.fits")
    if ending == "gz":
        (folder / "a.fits.gz").write_bytes(gzip.compress((folder / "a.fits").read_bytes()))
    else:
        hdu_of(pixels_of("u2"), True).writeto(folder / "a.fits.fz")


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
    hdu_of(pixels_of("f4"), True).writeto(path)
    content = bytearray(path.read_bytes())
    with fits.open(path, disable_image_compression=True) as hdus:
        start = hdus[1].fileinfo()["datLoc"] + hdus[1].header["NAXIS1"] * hdus[1].header["NAXIS2"]
    content[start : start + 400] = bytes(400)
    path.write_bytes(content)
    with pytest.raises(FrameError, match="has damaged data in rows 0 to 30"):
        open_raw(path)


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
    pixels = pixels_of("u2")
    hdu = hdu_of(pixels[(None,) * (axes - 2)], packed)
    assert hdu.header["NAXIS"] == axes
    hdus = [hdu] if isinstance(hdu, fits.PrimaryHDU) else [fits.PrimaryHDU(), hdu]
    fits.HDUList(hdus).writeto(tmp_path / "a.fits")
    with open_raw(tmp_path / "a.fits") as raw:
        assert raw.shape == pixels.shape
        np.testing.assert_array_equal(raw.data(), pixels)
    (file,) = scan_folders([tmp_path], None, False)
    assert (file.reason, file.width_px, file.height_px) == ("", *pixels.shape[::-1])
