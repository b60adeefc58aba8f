import io

import numpy as np
import pytest
import tifffile
from PIL import Image, ImageCms

from platefiles.picture.picture_files import Label, srgb_profile, write_picture

LABEL = Label("Löwenzahn field, two nights", "sha256:0123abcd", "a stretch: Q 8", "platelog 0")


@pytest.fixture
def pixels():
    """Draw a picture of 33 rows and 47 columns, dark below and bright above."""
    values = np.random.default_rng(4).integers(0, 3000, (33, 47, 3))
    values += np.linspace(0, 60000, 33).astype(int)[:, None, None]
    return values.astype(np.uint16)


@pytest.mark.parametrize("ending", ["png", "jpg", "tif"])
def test_the_same_picture_gives_the_same_bytes(tmp_path, pixels, ending):
    """Two files of one picture agree byte by byte."""
    first, second = tmp_path / f"a.{ending}", tmp_path / f"b.{ending}"
    write_picture(first, pixels, LABEL)
    write_picture(second, pixels, LABEL)
    assert first.read_bytes() == second.read_bytes()


@pytest.mark.parametrize("ending", ["png", "jpg", "tif"])
def test_every_format_carries_the_profile(tmp_path, pixels, ending):
    """The embedded profile is a readable sRGB profile with a fixed date."""
    path = tmp_path / f"a.{ending}"
    write_picture(path, pixels, LABEL)
    if ending == "tif":
        with tifffile.TiffFile(path) as file:
            embedded = file.pages[0].tags["InterColorProfile"].value
    else:
        with Image.open(path) as image:
            embedded = image.info["icc_profile"]
    assert bytes(embedded) == srgb_profile()
    profile = ImageCms.ImageCmsProfile(io.BytesIO(embedded))
    assert "sRGB" in ImageCms.getProfileDescription(profile)
    assert profile.profile.creation_date.year == 2000


@pytest.mark.parametrize("ending", ["png", "jpg", "tif"])
def test_row_0_is_the_bottom(tmp_path, pixels, ending):
    """The first row of the array is the lowest of the picture."""
    path = tmp_path / f"a.{ending}"
    write_picture(path, pixels, LABEL)
    shown = _read(path).astype(float)
    assert shown.shape == (33, 47, 3)
    assert shown[0].mean() > 5 * shown[-1].mean()


def test_16_bit_values_are_kept_exactly(tmp_path, pixels):
    """A TIFF holds each value as it is."""
    write_picture(tmp_path / "a.tif", pixels, LABEL)
    np.testing.assert_array_equal(tifffile.imread(tmp_path / "a.tif"), pixels[::-1])


@pytest.mark.parametrize("ending", ["png", "jpg", "tif"])
def test_threads_change_no_byte(tmp_path, ending):
    """A picture of many strips is the same file for any number of threads, and reads as it was."""
    pixels = np.random.default_rng(8).integers(0, 65536, (700, 31, 3)).astype(np.uint16)
    files = [tmp_path / f"{threads}.{ending}" for threads in (1, 2, 5)]
    for threads, path in zip((1, 2, 5), files, strict=True):
        write_picture(path, pixels, LABEL, threads=threads)
    assert files[0].read_bytes() == files[1].read_bytes() == files[2].read_bytes()
    if ending == "png":
        with Image.open(files[0]) as image:
            image.verify()  # the check sums of all chunks
        expected = np.rint(pixels[::-1] / 257).astype(np.uint8)
        np.testing.assert_array_equal(_read(files[0]), expected)


@pytest.mark.parametrize("rows", [1, 63, 64, 65, 128, 129])
def test_strips_of_a_png_are_one_stream(tmp_path, rows):
    """Pictures that end inside a strip, with one, or just after it."""
    pixels = np.random.default_rng(rows).integers(0, 65536, (rows, 5, 3)).astype(np.uint16)
    write_picture(tmp_path / "a.png", pixels, LABEL)
    np.testing.assert_array_equal(_read(tmp_path / "a.png"), np.rint(pixels[::-1] / 257))


def test_8_bit_values_are_rounded(tmp_path, pixels):
    """A PNG holds each value rounded to the nearest of 256 steps."""
    write_picture(tmp_path / "a.png", pixels, LABEL)
    expected = np.rint(pixels[::-1] / 257)
    np.testing.assert_array_equal(_read(tmp_path / "a.png"), expected)


def test_jpeg_keeps_colour_at_full_resolution(tmp_path):
    """Red and blue columns one pixel wide do not run into each other."""
    stripes = np.zeros((16, 16, 3), np.uint16)
    stripes[:, ::2, 0] = stripes[:, 1::2, 2] = 60000
    write_picture(tmp_path / "a.jpg", stripes, LABEL, jpeg_quality=98)
    shown = _read(tmp_path / "a.jpg")
    assert shown[:, ::2, 0].min() > 200
    assert shown[:, 1::2, 0].max() < 60


def test_jpeg_quality_is_followed(tmp_path, pixels):
    """A lower quality makes a smaller file."""
    large = np.tile(pixels, (6, 6, 1))
    write_picture(tmp_path / "a.jpg", large, LABEL, jpeg_quality=40)
    write_picture(tmp_path / "b.jpg", large, LABEL, jpeg_quality=95)
    assert (tmp_path / "a.jpg").stat().st_size < (tmp_path / "b.jpg").stat().st_size / 1.5


def test_png_says_what_it_is(tmp_path, pixels):
    """Title, source, method and software can be read back, umlauts included."""
    write_picture(tmp_path / "a.png", pixels, LABEL)
    with Image.open(tmp_path / "a.png") as image:
        text = image.info
    assert text["Title"] == LABEL.title
    assert text["Comment"] == "made from the linear image sha256:0123abcd by a stretch: Q 8"
    assert text["Software"] == "platelog 0"


def test_jpeg_and_tiff_say_what_they_are(tmp_path, pixels):
    """The same words lie in JPEG's and TIFF's own fields, as UTF-8."""
    for ending in ("jpg", "tif"):
        write_picture(tmp_path / f"a.{ending}", pixels, LABEL)
        content = (tmp_path / f"a.{ending}").read_bytes()
        for words in (LABEL.title, LABEL.digest, LABEL.method, LABEL.software):
            assert words.encode() in content


def test_a_failed_write_leaves_the_old_picture(tmp_path, pixels, monkeypatch):
    """Where writing fails half way, the old file stays and no scrap remains."""
    path = tmp_path / "a.png"
    write_picture(path, pixels, LABEL)
    before = path.read_bytes()

    def fail(*_args, **_options):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(Image.Image, "save", fail)
    with pytest.raises(OSError, match="No space left"):
        write_picture(path, pixels, LABEL)
    assert path.read_bytes() == before
    assert [entry.name for entry in tmp_path.iterdir()] == ["a.png"]


def test_what_cannot_be_written_is_refused(tmp_path, pixels):
    """An unknown ending, and pixels of another type or shape, are refused."""
    with pytest.raises(ValueError, match=r"ends with '.gif': known are .png, .jpg, .tif"):
        write_picture(tmp_path / "a.gif", pixels, LABEL)
    with pytest.raises(ValueError, match=r"must be \(ny, nx, 3\) uint16"):
        write_picture(tmp_path / "a.png", pixels.astype(np.uint8), LABEL)
    with pytest.raises(ValueError, match=r"must be \(ny, nx, 3\) uint16"):
        write_picture(tmp_path / "a.png", pixels[..., 0], LABEL)


def _read(path):
    if path.suffix == ".tif":
        return tifffile.imread(path)
    with Image.open(path) as image:
        return np.asarray(image)
