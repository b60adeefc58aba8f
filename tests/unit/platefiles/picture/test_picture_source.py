import json

import numpy as np
import pytest
from astropy.io import fits
from PIL import Image

from platefiles.core.errors import UserError
from platefiles.core.hashing import canonical, file_sha256
from platefiles.fits.products_io import write_product
from platefiles.picture.picture_files import Label, write_picture
from platefiles.picture.picture_source import (
    PictureFile,
    colours_of,
    linear_image_of,
    picture_shape,
    record_of,
)
from platefiles.provenance.activities import Making

ENDINGS = ("png", "jpg", "tif")


@pytest.fixture
def pixels():
    """A smooth picture that is not square, bright at the top."""
    ramp = np.linspace(1000, 60000, 24)[:, None, None] * np.ones((1, 31, 3))
    return ramp.astype(np.uint16)


@pytest.fixture
def cube(tmp_path):
    """A file that stands for a linear image, among others."""
    for name, content in (("other.fits", b"other"), ("cube.fits", b"cube")):
        (tmp_path / name).write_bytes(content)
    return tmp_path / "cube.fits"


def _write(path, pixels, digest):
    write_picture(path, pixels, Label("Löwe", f"sha256:{digest}", "a stretch: Q 8", "platelog 0"))
    return path


@pytest.mark.parametrize("ending", ENDINGS)
def test_a_picture_is_read_as_it_was_drawn(tmp_path, pixels, ending):
    """Row 0 is the bottom again, and white is 65535 in files of 8 bits as well."""
    path = _write(tmp_path / f"p.{ending}", pixels, "0" * 64)
    found = PictureFile(path)
    assert (found.shape, picture_shape(path)) == ((24, 31), (3, 24, 31))
    rows = found.rows(4, 24)
    assert rows.dtype == np.uint16
    most = {"jpg": 1300, "png": 129, "tif": 0}[ending]
    np.testing.assert_allclose(rows, pixels[4:], rtol=0, atol=most)
    for number, plane in enumerate(colours_of(found)):
        np.testing.assert_array_equal(plane[4:24], rows[..., number])


@pytest.mark.parametrize("ending", ENDINGS)
def test_a_picture_leads_to_its_cube_whatever_that_is_called(tmp_path, pixels, cube, ending):
    """The digest in the metadata is found among the FITS files beside the picture."""
    path = _write(tmp_path / f"p.{ending}", pixels, file_sha256(cube))
    renamed = cube.rename(tmp_path / "zzz.fits")
    assert linear_image_of(path) == renamed


@pytest.mark.parametrize("ending", ENDINGS)
def test_a_cube_that_is_gone_is_said_to_be(tmp_path, pixels, cube, ending):
    """A changed cube is not the one that the picture was drawn from."""
    path = _write(tmp_path / f"p.{ending}", pixels, file_sha256(cube))
    cube.write_bytes(b"changed")
    with pytest.raises(UserError, match="is not beside it; give the linear image itself"):
        linear_image_of(path)


def test_a_picture_of_another_program_is_said_to_know_no_cube(tmp_path):
    """A picture without the note says what to do."""
    path = tmp_path / "p.png"
    Image.new("RGB", (5, 4)).save(path)
    with pytest.raises(UserError, match="has no provenance record"):
        linear_image_of(path)


@pytest.mark.parametrize("ending", ENDINGS)
def test_what_is_no_picture_is_refused(tmp_path, ending):
    """A broken file ends in a sentence, not in a traceback."""
    path = tmp_path / f"p.{ending}"
    path.write_bytes(b"no picture at all")
    with pytest.raises(UserError, match="not a picture|is no picture"):
        PictureFile(path)
    with pytest.raises(UserError, match="not a picture|is no picture"):
        picture_shape(path)
    with pytest.raises(UserError, match="has no provenance record"):
        linear_image_of(path)


@pytest.mark.parametrize(
    ("job", "inputs"),
    [
        ('{"settings":{}}', {"masters": ("calibration/none.fits",)}),
        ('{"settings":{}}', {"raw": ("raw:" + "a" * 64,)}),
        ('{"settings":{}}', {"lock": ("text:lock",)}),
        ('{"settings":3}', {}),
    ],
)
def test_a_record_with_holes_is_refused(tmp_path, job, inputs):
    """A file may be anybody's: what its record names has to be in it."""
    making = Making("channels/x.fits", "integrate", job, "p", "l", "s", inputs)
    content = np.frombuffer(_unchecked(making).encode(), dtype=np.uint8)
    write_product(tmp_path / "x.fits", [], [fits.ImageHDU(content, name="RECORD")])
    with pytest.raises(UserError, match="its record is damaged"):
        record_of(tmp_path / "x.fits")


def _unchecked(making):
    row = {**vars(making), "job": json.loads(making.job)}
    row["inputs"] = {key: list(names) for key, names in making.inputs.items()}
    return canonical({"format": 1, "makings": [row], "raws": [], "facts": []})
