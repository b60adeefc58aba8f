import gc
import gzip
import hashlib
import os
import warnings

import numpy as np
import pytest
from astropy.io import fits
from unit.platefiles.raw_frames.written_frames import SHAPE, hdu_of, pixels_of

from platefiles.raw_frames.raw_frame import open_raw

DTYPES = ("u1", "i1", "i2", "u2", "i4", "u4", "i8", "f4", "f8")
NEVER = ("i8", True)  # the standard compresses no 64-bit integers


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
    hdu_of(pixels_of(dtype), compressed).writeto(path)
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
    hdu = hdu_of(words, compressed)
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


@pytest.mark.parametrize("compressed", [False, True])
def test_bands_of_rows_are_parts_of_the_whole(tmp_path, compressed):
    """Rows a to b are those of the whole image."""
    path = tmp_path / "a.fits"
    hdu_of(pixels_of("u2"), compressed).writeto(path)
    with open_raw(path) as raw:
        whole = raw.data()
        np.testing.assert_array_equal(raw.rows(7, 20), whole[7:20])
        np.testing.assert_array_equal(raw.rows(29, 30), whole[29:])


def test_image_in_the_first_extension(tmp_path):
    """An image in HDU 1 is found, and its header has the cards of the primary one below it."""
    primary = fits.PrimaryHDU()
    primary.header["FILTER"], primary.header["GAIN"] = "Ha", 1
    image = fits.ImageHDU(pixels_of("i2"))
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
    hdu_of(pixels_of(dtype), False).writeto(tmp_path / "a.fits")
    with open_raw(tmp_path / "a.fits") as raw:
        assert raw.full_scale == scale


@pytest.mark.parametrize("kind", ["plain", "extension", "with a tail", "compressed", "packed"])
def test_digest_is_that_of_the_file(tmp_path, kind):
    """SHA-256 is taken of all bytes as they lie on the disk, whatever they are."""
    path = tmp_path / "a.fits"
    hdu = hdu_of(pixels_of("u2"), kind == "compressed")
    hdus = [hdu] if isinstance(hdu, fits.PrimaryHDU) else [fits.PrimaryHDU(), hdu]
    if kind == "extension":
        hdus = [fits.PrimaryHDU(), fits.ImageHDU(hdu.data)]
    if kind == "with a tail":
        hdus.append(fits.ImageHDU(pixels_of("f4")))
    fits.HDUList(hdus).writeto(path)
    if kind == "packed":
        path.write_bytes(gzip.compress(path.read_bytes()))
    with open_raw(path) as raw:
        assert raw.sha256() == hashlib.sha256(path.read_bytes()).hexdigest()


def test_missing_file_is_no_fault_of_the_frame(tmp_path):
    """A vanished disk is an error of the system, which must not become a state of the sub."""
    with pytest.raises(FileNotFoundError):
        open_raw(tmp_path / "gone.fits")


def test_open_frame_holds_one_descriptor(tmp_path):
    """Hundreds of frames can be open at once, and closing them gives all back."""
    fits.PrimaryHDU(pixels_of("u2")).writeto(tmp_path / "a.fits")
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
    fits.PrimaryHDU(pixels_of("f4")).writeto(tmp_path / "a.fits")
    before = (tmp_path / "a.fits").read_bytes()
    with open_raw(tmp_path / "a.fits") as raw:
        raw.data()[:] = 0
    assert (tmp_path / "a.fits").read_bytes() == before
