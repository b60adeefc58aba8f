"""Every verb that takes files, with files of all kinds: a sentence, and no traceback."""

import os
import struct
import zlib
from io import BytesIO

import numpy as np
import pytest
from astropy.io import fits
from PIL import Image

from platecli.__main__ import main
from platefiles.core.errors import UserError
from platefiles.fits.products_io import image_hdu, write_product
from platefiles.picture.picture_source import PictureFile

STATUSES = (0, 1, 2, 5, 6)
ODD = {
    "nothing": b"",
    "a few bytes": b"\x00\xff\x1b[2J",
    "text": b"title: x\n" * 5,
    "a cut png": None,
    "a cut jpg": None,
    "a cut tif": None,
    "a huge png": None,
    "a huge tif": None,
    "a damaged png": None,
    "a cut channel": None,
    "a channel without size": None,
    "no image": None,
    "other planes": None,
}
ENDINGS = (".png", ".tif", ".fits", ".yaml", "")


def _picture(kind, size=(40, 30)):
    content = BytesIO()
    noise = np.random.default_rng(3).integers(0, 255, (size[1], size[0], 3)).astype(np.uint8)
    Image.fromarray(noise).save(content, format=kind)
    return content.getvalue()


def huge_png(width, height):
    """Return a PNG of a few bytes that claims any size."""
    head = struct.pack(">IIBBBBB", width, height, 8, 2, 0, 0, 0)
    chunks = ((b"IHDR", head), (b"IDAT", zlib.compress(b"\0" * 99)), (b"IEND", b""))
    return b"\x89PNG\r\n\x1a\n" + b"".join(
        struct.pack(">I", len(data)) + name + data + struct.pack(">I", zlib.crc32(name + data))
        for name, data in chunks
    )


def huge_tif():
    """Return a small TIFF whose tags claim a large picture."""
    content = _picture("TIFF")
    for tag in (256, 257):  # ImageWidth and ImageLength
        place = content.index(struct.pack("<H", tag), 8 if tag == 256 else 8)
        content = content[: place + 8] + struct.pack("<I", 90_000) + content[place + 12 :]
    return content


def channel(tmp_path, data=None, name="SCI"):
    """Return the bytes of a FITS file with one image."""
    path = tmp_path / "made.fits"
    write_product(path, [("STEP", "integrate")], [image_hdu(data, name, unit="adu")])
    content = path.read_bytes()
    path.unlink()
    return content


@pytest.fixture
def odd(tmp_path):
    """Return a way to the content of an odd file by what it is."""
    image = np.ones((300, 400), np.float32)

    def content(kind):
        png = _picture("PNG")
        made = {
            "a cut png": lambda: png[: len(png) // 2],
            "a cut jpg": lambda: _picture("JPEG")[:500],
            "a cut tif": lambda: _picture("TIFF")[:900],
            "a huge png": lambda: huge_png(90_000, 90_000),
            "a huge tif": huge_tif,
            "a damaged png": lambda: png[:60] + bytes(50) + png[110:],
            "a cut channel": lambda: channel(tmp_path, image)[:200_000],
            "a channel without size": lambda: channel(tmp_path, image).replace(
                b"NAXIS1  = ", b"NAXIS7  = "
            ),
            "no image": lambda: channel(tmp_path, image, "OTHER"),
            "other planes": lambda: channel(tmp_path, np.ones((2, 3, 4, 5), np.float32)),
        }
        return made[kind]() if kind in made else ODD[kind]

    return content


def ask(path, other, tmp_path, capsys):
    """Put a file before each verb that takes one; return what was said."""
    here = ["--directory", str(tmp_path)]
    for words in (
        ["trace", path], ["verify", path], ["compare", path, path], ["compare", path, other],
        ["compare", other, path, "--into", str(tmp_path / "side.png")],
        ["replay", path, "--into", str(tmp_path / "again")], ["depth", path], ["check", path],
        ["run", path, "--dry-run"], ["check", path, "--to", f"results/{path}"[:9000]],
        ["tidy", path], ["clean", path], ["clean", path, "--json", "--only", path[:9000]],
    ):  # fmt: skip
        try:
            assert main([*words, *here]) in STATUSES
        except SystemExit as stop:  # by the parser of arguments
            assert stop.code == 2
        (tmp_path / "side.png").unlink(missing_ok=True)
    for words in (["stars", path], ["new", "odd-name", path]):
        assert main(words) in STATUSES
    said = capsys.readouterr()
    return said.out + said.err


@pytest.mark.parametrize("kind", ODD)
def test_odd_files_are_refused_in_a_sentence(kind, odd, tmp_path, capsys, monkeypatch):
    """Whatever the name of the file promises."""
    monkeypatch.setattr("platecli.verbs.new.SHIPPED", tmp_path / "config")
    whole = tmp_path / "whole.png"
    whole.write_bytes(_picture("PNG"))
    content = odd(kind)
    for ending in ENDINGS:
        path = tmp_path / f"odd{ending}"
        path.write_bytes(content)
        assert "Traceback" not in ask(str(path), str(whole), tmp_path, capsys)
        assert path.read_bytes() == content


@pytest.mark.parametrize(
    "name", ["", ".", "/dev/null", "x" * 5000, "a/" * 2000, "\x1b[2J", "\u202ex", "-",
             os.fsdecode(b"\xff\xfe.fits"), "none.fits", "none.png", "a\nb", "$(x)", "loop", "pipe"]
)  # fmt: skip
def test_odd_names_are_refused_in_a_sentence(name, tmp_path, capsys, monkeypatch):
    """Names that no disk takes, links that lead in a circle, pipes, and what is not there."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr("platecli.verbs.new.SHIPPED", tmp_path / "config")
    (tmp_path / "loop").symlink_to("loop")
    os.mkfifo(tmp_path / "pipe")
    (tmp_path / "whole.png").write_bytes(_picture("PNG"))
    assert "Traceback" not in ask(name, "whole.png", tmp_path, capsys)


@pytest.mark.parametrize(
    ("kind", "ending", "why"),
    [
        ("nothing", ".png", "cannot be read: it is not a picture, or truncated"),
        ("a cut png", ".png", "cannot be read"),
        ("a cut jpg", ".jpg", "cannot be read: it is not a picture, or truncated"),
        ("a cut tif", ".tif", "is no picture that can be read"),
        ("a huge png", ".png", "claims 90000 x 90000 pixels, which would take 146 GB of memory"),
        ("a huge tif", ".tif", "claims 90000 x 90000 pixels, which would take 146 GB of memory"),
        ("a damaged png", ".png", "cannot be read|is no picture"),
    ],
)
def test_pictures_that_cannot_be_read_say_why(kind, ending, why, odd, tmp_path):
    """Cut, damaged, or of a size that no memory holds, which is told before anything is read."""
    path = tmp_path / f"a{ending}"
    path.write_bytes(odd(kind))
    with pytest.raises(UserError, match=f"a{ending}: ({why})"):
        PictureFile(path)


def test_a_cut_channel_says_where_it_ends(odd, tmp_path, capsys):
    """The file, the bytes that are there and those that it announces."""
    path = tmp_path / "a.fits"
    path.write_bytes(odd("a cut channel"))
    assert main(["compare", str(path), str(path), "--directory", str(tmp_path)]) == 1
    assert "a.fits: ends early: 200000 bytes of at least " in capsys.readouterr().err


def test_planes_that_do_not_fit_are_a_sentence(tmp_path, capsys):
    """A variance of another size than its image, in files of anybody."""
    images = [image_hdu(np.ones((3, 4), np.float32), "SCI"), image_hdu(np.ones((5, 6)), "VAR")]
    for name in ("a.fits", "b.fits"):
        write_product(tmp_path / name, [], images)
    words = [str(tmp_path / name) for name in ("a.fits", "b.fits")]
    assert main(["compare", *words, "--directory", str(tmp_path)]) == 1
    said = capsys.readouterr().err
    assert "cannot be compared (ValueError: " in said
    assert "name two whole products of a run" in said


def test_a_folder_in_place_of_a_table_is_a_sentence(tmp_path, capsys):
    """A FITS file whose table of subs lacks its columns."""
    columns = [fits.Column("other", "J", array=[1])]
    table = fits.BinTableHDU.from_columns(columns, name="INPUTS")
    image = image_hdu(np.ones((3, 4), np.float32), "SCI")
    for name in ("a.fits", "b.fits"):
        write_product(tmp_path / name, [("STEP", "integrate")], [image, table])
    words = [str(tmp_path / name) for name in ("a.fits", "b.fits")]
    assert main(["compare", *words, "--directory", str(tmp_path)]) == 0
    assert "is unknown" in capsys.readouterr().out
