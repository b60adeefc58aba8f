"""A picture of survey frames, drawn and real, beside that of a general library."""

import numpy as np
import pytest
from astropy.io import fits
from astropy.visualization import make_lupton_rgb
from drawn_pictures import draw_files
from map_channels import map_channels
from PIL import Image
from skimage import color

from platefiles.fits.products_io import image_hdu, read_image, write_product
from platefiles.settings.colour import Colour
from platefiles.settings.picture import Stretch

RGB = {"red": {"i": 1.0}, "green": {"r": 1.0}, "blue": {"g": 1.0}}


@pytest.fixture
def cube(raw_series, tmp_path):
    """Map the frames, whose names tell their bands, to colours."""
    paths = {}
    for band in "irg":
        data = fits.getdata(raw_series("gri-group").folder / f"reprojected_sdss_{band}.fits")
        paths[band] = tmp_path / f"{band}.fits"
        hdu = image_hdu(np.asarray(data, dtype=np.float32), "SCI", unit="nanomaggy")
        write_product(paths[band], [], [hdu])
    map_channels(paths, tmp_path / "cube.fits", RGB, Colour())
    return tmp_path / "cube.fits"


def _levels(path):
    with Image.open(path) as image:
        return np.asarray(image)[::-1]


def test_picture_of_a_group_beside_that_of_a_general_library(cube, tmp_path):
    """By one curve, cut as in the paper, ours and astropy's agree to a step of 8 bits."""
    plain = Stretch(shoulder=1.0, colour_smoothing_px=0.0)
    rendering = draw_files(cube, [tmp_path / "p.png"], plain, "A group of galaxies")
    planes, curve = read_image(cube)[0], rendering.curve
    theirs = make_lupton_rgb(
        *planes, minimum=curve.minimum, stretch=curve.stretch, Q=curve.softening
    )
    difference = np.abs(_levels(tmp_path / "p.png").astype(int) - theirs)
    assert np.isfinite(planes).all()
    assert difference.max() <= 1


def test_sky_of_a_group_is_neutral(cube, tmp_path):
    """The sky is within 1 of neutral in CIE Lab a and b, as scikit-image tells, and dark."""
    draw_files(cube, [tmp_path / "p.png"], Stretch(), "A group of galaxies")
    lab = color.rgb2lab(_levels(tmp_path / "p.png") / 255)
    dark = lab[..., 0] < np.median(lab[..., 0])
    assert np.abs(np.median(lab[dark][:, 1:], axis=0)).max() < 1
    assert np.median(lab[..., 0]) < 15
