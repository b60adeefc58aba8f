import warnings

import numpy as np
import pyavm
import pytest
from astropy.wcs import WCS
from PIL import Image

from platefiles.fits.wcs_cards import picture_wcs, scaled_wcs
from platefiles.picture.avm import Band, avm_elements, bands_of
from platefiles.picture.picture_files import Label, write_picture

BANDS = (
    Band("ha", "red", 656.3, "2026-03-23T23:21:04.000", 5400.0, "Fernrohr & Co", "heron"),
    Band("g", "green", 530.0, "2026-03-23T22:00:00.000", 1440.0, "", "heron"),
    Band("u", "blue", 365.0, "", 900.0, "", ""),
    Band("x", "blue"),
    Band("i", "luminance", 790.0, "2026-03-24T22:00:00.000", 60.0, "", ""),
)


def _wcs(rotation_deg=20.0, mirrored=False):
    """Return a WCS whose north lies by an angle off the upper edge."""
    wcs = WCS(naxis=2)
    turn, scale = np.radians(rotation_deg), 1.1 / 3600
    wcs.wcs.ctype = ["RA---TAN", "DEC--TAN"]
    wcs.wcs.crval, wcs.wcs.crpix = [187.7, 12.39], [21.5, 14.25]
    east = 1 if mirrored else -1
    wcs.wcs.cd = scale * np.array(
        [[east * np.cos(turn), -np.sin(turn)], [east * np.sin(turn), np.cos(turn)]]
    )
    wcs.wcs.radesys = "ICRS"
    return wcs


def _read_back(tmp_path, ending, wcs=None, bands=BANDS):
    pixels = np.random.default_rng(4).integers(0, 65535, (30, 44, 3)).astype(np.uint16)
    avm = avm_elements(bands, wcs, (30, 44))
    path = tmp_path / f"a.{ending}"
    write_picture(
        path, pixels, Label("Gorse <field>", "sha256:00", "a stretch", "platelog 0", avm=avm)
    )
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # that it scans a TIFF
        return pyavm.AVM.from_image(str(path))


@pytest.mark.parametrize("ending", ["png", "jpg", "tif"])
def test_pyavm_reads_what_became_which_colour(tmp_path, ending):
    """The general reader finds title, channels, wavelengths, colours and times, in order."""
    found = _read_back(tmp_path, ending)
    assert found.MetadataVersion == 1.2
    assert found.Title == "Gorse <field>"
    assert found.Type == "Observation"
    assert found.Spectral.Bandpass == ["ha", "g", "u", "x", "i"]
    assert found.Spectral.ColorAssignment == ["Red", "Green", "Blue", "Blue", "Luminosity"]
    assert found.Spectral.CentralWavelength == [656.3, 530.0, 365.0, None, 790.0]
    assert found.Spectral.Band == ["Optical", "Optical", "Ultraviolet", "-", "Infrared"]
    assert found.Temporal.IntegrationTime == [5400.0, 1440.0, 900.0, None, 60.0]
    assert str(found.Temporal.StartTime[0]).startswith("2026-03-23")
    assert found.Facility[0] == "Fernrohr & Co"
    assert found.Instrument == ["heron", "heron", "-", "-", "-"]


@pytest.mark.parametrize("rotation_deg", [0.0, 20.0, -131.0, 180.0])
@pytest.mark.parametrize("mirrored", [False, True])
def test_pyavm_finds_the_place_on_the_sky(tmp_path, rotation_deg, mirrored):
    """Corners of the picture lie where the WCS has them, to a thousandth of a pixel."""
    wcs = _wcs(rotation_deg, mirrored)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        theirs = _read_back(tmp_path, "png", wcs).to_wcs()
    x, y = np.array([0, 43, 0, 43.0]), np.array([0, 0, 29, 29.0])
    back = wcs.all_world2pix(*theirs.all_pix2world(x, y, 0), 0)
    np.testing.assert_allclose(back, [x, y], atol=1e-3)


def test_a_smaller_picture_keeps_its_place():
    """The corners of a picture made smaller lie where they were."""
    wcs = _wcs()
    small = scaled_wcs(wcs, (30, 44), (15, 22))
    before = wcs.all_pix2world([-0.5, 43.5], [-0.5, 29.5], 0)
    np.testing.assert_allclose(
        small.all_pix2world([-0.5, 21.5], [-0.5, 14.5], 0), before, rtol=1e-9
    )


def test_a_header_without_a_place_has_none():
    """Headers without a WCS give none; with one, that of the picture's two axes."""
    assert picture_wcs({}) is None
    header = _wcs().to_header()
    assert picture_wcs(header).wcs.crval[0] == pytest.approx(187.7)


def test_bands_of_a_cube_come_in_the_order_of_colours():
    """A channel in two colours is two bands; a picture of one plane is grey."""
    common = {"begin_utc": "", "exposure_s": 1.0, "telescope": "", "camera": ""}
    rows = [
        {"channel": "g", "colours": "green luminance", "wavelength_nm": 530.0, **common},
        {"channel": "ha", "colours": "red", "wavelength_nm": float("nan"), **common},
    ]
    found = bands_of(rows, 3)
    assert [(band.channel, band.colour) for band in found] == [
        ("ha", "red"),
        ("g", "green"),
        ("g", "luminance"),
    ]
    (grey,) = bands_of([rows[0] | {"colours": "luminance"}], 1)
    assert grey.colour == "grey"
    assert "<rdf:li>Grayscale</rdf:li>" in avm_elements([grey], None, (3, 4))


def test_pictures_of_general_readers_stay_readable(tmp_path):
    """The packet with AVM is still found by Pillow."""
    _read_back(tmp_path, "jpg", _wcs())
    with Image.open(tmp_path / "a.jpg") as image:
        image.load()
        assert b"avm:Spatial.ReferenceValue" in image.info["xmp"]
