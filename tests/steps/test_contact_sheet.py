import numpy as np
import pytest
from contact_sheet import contact_sheet
from drawn_pictures import write_display
from PIL import Image

from platefiles.core.errors import UserError
from platefiles.fits.products_io import image_hdu, write_product
from platefiles.picture.picture_source import product_of
from platefiles.provenance.integrity import fault, is_of_a_run
from platefiles.settings.picture import Stretch
from platelib.background.surface import Lattice


@pytest.fixture
def files(tmp_path):
    """Write two channels, a model of the sky and a picture."""
    rng = np.random.default_rng(3)
    channels = {}
    for name in ("ha", "g"):
        channels[name] = tmp_path / f"{name}.fits"
        image = rng.normal(3, 1, (120, 160)).astype(np.float32)
        cards = [("WAVELEN", 656.3), ("NCOMBINE", 9), ("EXPTIME", 5400.0)]
        write_product(channels[name], cards, [image_hdu(image, "SCI", unit="electron/s")])
    sky = tmp_path / "sky.fits"
    lattice = Lattice((120, 160), 16)
    slope = np.linspace(1, 2, lattice.nodes[1]) * np.ones((lattice.nodes[0], 1))
    cards = [("GRIDNY", 120), ("GRIDNX", 160), ("NODEPX", 16)]
    images = [image_hdu(slope, "SKY", cards, "electron/s"), image_hdu(0 * slope, "ERROR")]
    write_product(sky, [], images)
    red = np.zeros((120, 160, 3), np.uint16)
    red[..., 0] = 40000
    return channels, {"g": sky}, [write_display(tmp_path / "vivid.display.fits", red)]


def test_the_sheet_shows_all_there_is(files, tmp_path):
    """Channels, sky and picture lie side by side, in a sealed PNG that is no picture of a cube."""
    path = tmp_path / "contact_sheet.png"
    contact_sheet(*files, path, Stretch(), "Gorse field")
    with Image.open(path) as image:
        assert image.size == (4 * 170 + 10, 120 + 46 + 10)
        assert image.info["Title"] == "Gorse field"
        assert image.info["Comment"].startswith("contact sheet of 4 panels")
        pixels = np.asarray(image)
    assert (pixels[50:160, 525:675] == [156, 0, 0]).all()
    assert is_of_a_run(path)
    assert fault(path) == ""
    with pytest.raises(UserError, match="is an overview of channels and pictures; name one of"):
        product_of(path)


def test_twice_the_same_bytes(files, tmp_path):
    """Two sheets of the same files agree byte by byte."""
    paths = [tmp_path / f"{name}.png" for name in "ab"]
    for path in paths:
        contact_sheet(*files, path, Stretch(), "Gorse field")
    assert paths[0].read_bytes() == paths[1].read_bytes()


def test_an_empty_channel_is_a_sentence(files, tmp_path):
    """A channel without noise is named with its file."""
    channels, skies, pictures = files
    write_product(channels["g"], [], [image_hdu(np.ones((120, 160), np.float32), "SCI")])
    with pytest.raises(UserError, match="g.fits.*: the sky of g has no noise"):
        contact_sheet(channels, skies, pictures, tmp_path / "c.png", Stretch(), "Gorse field")
