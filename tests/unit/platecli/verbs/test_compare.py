from argparse import Namespace

import numpy as np
import pytest
from PIL import Image

from platecli.verbs import compare
from platefiles.core.errors import UserError
from platefiles.fits.grid_place import GridPlace
from platefiles.fits.products_io import image_hdu, write_product
from platefiles.picture.picture_files import Label, write_picture


@pytest.fixture
def draw(tmp_path):
    """Return a way to draw a picture of one grey with a red square, as another program would."""

    def draw(name, red=200, size=(31, 24)):
        image = Image.new("RGB", size, (100, 100, 100))
        image.paste((red, 100, 100), (0, 0, 12, 6))
        image.save(tmp_path / name)
        return tmp_path / name

    return draw


def _said(capsys, first, second, into=None):
    assert (
        compare.run(Namespace(first=first, second=second, into=into, directory=first.parent)) == 0
    )
    return capsys.readouterr().out.splitlines()


def test_pictures_of_another_program_are_compared_by_their_pixels(draw, capsys):
    """Their past is not known, and said not to be; the colour that differs is measured."""
    said = _said(capsys, draw("a.png"), draw("b.png", red=251))
    assert sum(line.startswith("its provenance is unknown") for line in said) == 2
    red, green = said[-3].split(), said[-2].split()
    share = 100 * 12 * 6 / (31 * 24)
    assert red[:3] == ["red", f"{share:.4g}", "%"]
    assert float(red[3]) == pytest.approx(share / 100 * 51 / 255, rel=0.01)
    assert float(red[4]) == pytest.approx(np.sqrt(share / 100) * 51 / 255, rel=0.01)
    assert green[:3] == ["green", "0", "%"]


def test_side_by_side_shows_both_and_what_differs(draw, capsys, tmp_path):
    """Three panels below their labels: the pictures as they are, and the difference about grey."""
    sheet = tmp_path / "sheet.png"
    _said(capsys, draw("a.png"), draw("b.png", red=251), sheet)
    with Image.open(sheet) as image:
        pixels = np.asarray(image)
    panels = pixels[30:-8]
    width = (pixels.shape[1] - 4 * 8) // 3
    first, second, difference = (panels[:, 8 + n * (width + 8) :][:, :width] for n in range(3))
    assert first[5, 5].tolist() == [200, 100, 100]
    assert second[5, 5].tolist() == [251, 100, 100]
    assert difference[5, 5].tolist() == [255, 128, 128]
    assert (difference[-5, -5] == 128).all()
    assert pixels[:30].max() > 200


@pytest.mark.parametrize("ending", ["png", "tif", "fits"])
def test_versions_of_other_sizes_are_laid_over_each_other(capsys, tmp_path, ending):
    """Two crops of one scene differ nowhere in their common area; what lies outside is told."""
    scene = np.random.default_rng(3).integers(0, 1 << 16, (40, 60, 3), dtype=np.uint16)
    files = []
    crops = {"a": (slice(4, 34), slice(7, 57)), "b": (slice(1, 40), slice(9, 54))}
    for name, (rows, columns) in crops.items():
        pixels, place = scene[rows, columns], GridPlace().cropped(rows.start, columns.start)
        files.append(tmp_path / f"{name}.{ending}")
        if ending == "fits":
            planes = np.moveaxis(pixels, -1, 0).astype(np.float32)
            write_product(files[-1], [], [image_hdu(planes, "SCI", place.cards)])
        else:
            label = Label("T", "sha256:0", "none", "platelog 0", grid=place.text)
            write_picture(files[-1], np.ascontiguousarray(pixels), label)
    sheet = tmp_path / "sheet.png"
    said = _said(capsys, *files, sheet)
    assert (
        "common area: 45 x 30 pixels; "
        "A has 10 % outside (pixels: left 2, right 3, below 0, above 0); "
        "B has 23.08 % outside (pixels: left 0, right 0, below 3, above 6)"
    ) in said
    table = said[next(n for n, line in enumerate(said) if line.startswith("B - A")) + 1 :][:3]
    assert all(" 0 %" in line for line in table), table
    with Image.open(sheet) as image:
        pixels = np.asarray(image)[30:-8]
    width = (pixels.shape[1] - 4 * 8) // 3
    first, second = (pixels[:, 8 + n * (width + 8) :][:, :width] for n in range(2))
    np.testing.assert_array_equal(first, second)


def test_other_grids_and_kinds_are_refused_in_a_sentence(draw, tmp_path):
    """Both sizes are told; a picture and a FITS file, or a missing file, are told apart."""
    first, other = draw("a.png"), draw("c.png", size=(30, 24))
    channel = tmp_path / "c.fits"
    write_product(channel, [], [image_hdu(np.zeros((4, 5), np.float32), "SCI")])
    for second, words in (
        (
            other,
            "31 x 24 x 3 and 30 x 24 x 3 pixels, and their places on one grid are unknown",
        ),
        (channel, "compare two pictures, or two FITS files, not one of each"),
        (tmp_path / "none.png", "there is no such file"),
    ):
        with pytest.raises(UserError, match=words):
            compare.run(Namespace(first=first, second=second, into=None, directory=tmp_path))


@pytest.mark.parametrize("name", ["a.png", "sheet.jpg"])
def test_no_file_is_written_over(draw, tmp_path, name):
    """What is there stays, and the sheet is a PNG."""
    first, second = draw("a.png"), draw("b.png")
    before = first.read_bytes()
    with pytest.raises(UserError, match=r"name a new file that ends with \.png"):
        compare.run(Namespace(first=first, second=second, into=tmp_path / name, directory=tmp_path))
    assert first.read_bytes() == before
