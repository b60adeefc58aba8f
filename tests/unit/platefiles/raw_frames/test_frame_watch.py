import gzip
import os

import numpy as np
import pytest
from astropy.io import fits

from platefiles.calibration.combine_master import digests_of
from platefiles.core.frame_errors import ChangedFrame
from platefiles.core.provisional import held_back
from platefiles.raw_frames.fingerprint import file_fingerprint
from platefiles.raw_frames.raw_frame import open_frame, open_raw
from platefiles.raw_frames.sensor_sections import Readout, Section

SHAPE = (300, 410)


@pytest.fixture(params=["plain", "gzip", "tiles", "float"])
def frame(request, tmp_path):
    """Path of a frame of each kind that is read in its own way."""
    pixels = np.random.default_rng(3).integers(0, 60000, SHAPE, dtype=np.uint16)
    path = tmp_path / "a.fits"
    if request.param == "tiles":
        fits.CompImageHDU(pixels, compression_type="RICE_1").writeto(path)
    elif request.param == "float":
        fits.PrimaryHDU(pixels.astype(np.float32)).writeto(path)
    else:
        fits.PrimaryHDU(pixels).writeto(path)
    if request.param == "gzip":
        path.write_bytes(gzip.compress(path.read_bytes(), 1))
    return path


def facts_of(path, **more):
    """Row of a job for a frame as it is now."""
    return {"id": "a", "name": "night/a.fits", "fingerprint": file_fingerprint(path), **more}


def sums_of(path):
    """Sums as they are measured."""
    with open_raw(path) as image:
        return image.sums()


def rewrite(path, pixels_of):
    """Write a frame of the same kind with other pixels."""
    packed = path.read_bytes()[:2] == b"\x1f\x8b"
    with fits.open(path) as hdus:
        hdu = hdus[-1]
        pixels = pixels_of(hdu.data.copy())
        made = type(hdu)(pixels) if pixels.dtype.kind == "f" or len(hdus) == 1 else None
        made = made or fits.CompImageHDU(pixels, compression_type="RICE_1")
    path.unlink()
    made.writeto(path)
    if packed:
        path.write_bytes(gzip.compress(path.read_bytes(), 1))


def flipped(pixels):
    """Change one pixel of the middle."""
    pixels[200, 17] += 1
    return pixels


def test_the_frame_that_is_meant_opens(frame):
    """Its rows are those of the frame, and nothing is provisional."""
    with open_raw(frame) as image:
        wanted = image.data()
    with open_frame(frame, facts_of(frame), sums_of(frame)) as image:
        np.testing.assert_array_equal(image.data(), wanted)
        image.check_all()
    assert held_back() == []


def test_another_file_is_refused(frame):
    """A frame of another fingerprint is not opened, and what is made without it is provisional."""
    facts = facts_of(frame, fingerprint="0" * 16)
    with pytest.raises(ChangedFrame, match="changed since the run began") as caught:
        open_frame(frame, facts)
    assert (caught.value.id, caught.value.name) == ("a", "night/a.fits")
    assert [reason.split(" changed ")[0] for reason in held_back()] == ["night/a.fits"]


@pytest.mark.parametrize("reader", ["rows", "words"])
def test_changed_pixels_are_refused_where_they_are_read(frame, reader):
    """Rows of other blocks are read; the block that differs is named, and no pixel of it given."""
    sums = sums_of(frame)
    rewrite(frame, flipped)
    with open_frame(frame, facts_of(frame), sums) as image:
        getattr(image, reader)(0, 128)
        with pytest.raises(
            ChangedFrame, match=r"changed since it was measured \(rows 129 to 256\); restore"
        ):
            getattr(image, reader)(120, 140)


def test_overscan_is_compared_too(tmp_path):
    """A change in the overscan, which the level comes from, is refused when the frame is opened."""
    path = tmp_path / "a.fits"
    pixels = np.random.default_rng(3).integers(500, 600, SHAPE, dtype=np.uint16)
    fits.PrimaryHDU(pixels).writeto(path)
    sections = Readout(Section(10, 410, 5, 300), Section(0, 10, 0, 300)).facts()
    sums = sums_of(path)
    with open_frame(path, facts_of(path, sections=sections), sums) as image:
        assert image.shape == (295, 400)
        image.rows(0, 295)
    pixels[280, 3] += 1
    fits.PrimaryHDU(pixels).writeto(path, overwrite=True)
    with pytest.raises(ChangedFrame, match=r"rows 257 to 300"):
        open_frame(path, facts_of(path, sections=sections), sums)


def test_a_file_that_is_written_to_meanwhile_is_refused(frame):
    """Whoever is done with the pixels learns it, be the modification time set back or not."""
    info = os.stat(frame)
    image = open_frame(frame, facts_of(frame))
    image.check_unchanged()
    with open(frame, "r+b") as file:
        file.seek(-1, 2)
        file.write(b"x")
    os.utime(frame, ns=(info.st_atime_ns, info.st_mtime_ns))
    with pytest.raises(ChangedFrame, match="changed while it was being read"), image:
        image.rows(0, 1)


def test_a_file_that_is_gone_meanwhile_is_refused(frame):
    """A file that was removed is not the one that was read, as far as anybody can tell."""
    with pytest.raises(ChangedFrame), open_frame(frame, facts_of(frame)):
        frame.unlink()


def test_an_error_is_not_covered_up(frame):
    """What went wrong while the frame was open is told, and not that it changed."""
    with pytest.raises(KeyError), open_frame(frame, facts_of(frame)):
        frame.unlink()
        raise KeyError


@pytest.mark.parametrize("threads", [1, 2])
def test_digests_of_calibration_frames_are_of_what_was_combined(frame, threads):
    """Whoever takes the last digest knows that no file was written to since it was opened."""
    image = open_frame(frame, facts_of(frame))
    with digests_of([image], threads) as digests:
        assert list(digests) == [image.sha256()]
    os.utime(frame)
    with pytest.raises(ChangedFrame), digests_of([image], threads) as digests:
        list(digests)
    image.close()
