import numpy as np
import pytest
from astropy.io import fits
from ccdproc import CCDData, subtract_overscan, trim_image

from platefiles.core.frame_errors import FrameError
from platefiles.raw_frames.raw_frame import open_raw
from platefiles.raw_frames.sensor_sections import (
    Readout,
    Section,
    SectionError,
    overscan_cards,
    readout_of,
    trimmed_cards,
)
from platelib.calibration.saturation_level import find_pile_up
from platelib.detection.bright_pixels import brightest_pixels

NX, NY = 90, 120
RIGHT = {"TRIMSEC": "[6:70,3:118]", "BIASSEC": "[73:90,1:120]"}


@pytest.mark.parametrize(
    ("sections", "trim", "bias"),
    [
        (RIGHT, "[6:70,3:118]", "[73:90,1:120]"),
        ({"BIASSEC": "[73:90,1:120]"}, "[1:72,1:120]", "[73:90,1:120]"),
        ({"BIASSEC": "[1:10,1:120]"}, "[11:90,1:120]", "[1:10,1:120]"),
        ({"BIASSEC": "[1:90,111:120]"}, "[1:90,1:110]", "[1:90,111:120]"),
        ({"TRIMSEC": "[6:70,3:118]"}, "[6:70,3:118]", ""),
        ({"TRIMSEC": "[70:6, 118:3]"}, "[6:70,3:118]", ""),
        ({"BIASSEC": "[73:90,1:120]", "DATASEC": "[5:72,1:120]"}, "[5:72,1:120]", "[73:90,1:120]"),
        ({**RIGHT, "DATASEC": "[5:72,1:120]"}, "[6:70,3:118]", "[73:90,1:120]"),
        ({"TRIMSEC": "[6:70,3:118]", "BSEC11": "[73:90,1:120]"}, "[6:70,3:118]", "[73:90,1:120]"),
    ],
)
def test_sections_of_headers(sections, trim, bias):
    """TRIMSEC, else DATASEC, else what lies beside BIASSEC is kept; both ends are included."""
    readout = readout_of(sections, NX, NY)
    assert readout.facts() == {"trim": trim, "bias": bias}
    assert Readout.of_facts(readout.facts()) == readout


@pytest.mark.parametrize(
    "sections",
    [
        {},
        {"TRIMSEC": f"[1:{NX},1:{NY}]"},
        {"BIASSEC": "[0:0,0:0]"},
        {"BIASSEC": f"[1:{NX},1:{NY}]", "TRIMSEC": f"[1:{NX},1:{NY}]"},
        {"DATASEC": "[5:72,1:120]"},
        # Trimmed before, by a program that left the cards of the raw frame.
        {"TRIMSEC": f"[11:{NX + 10},1:{NY}]", "BIASSEC": f"[{NX + 12}:{NX + 30},1:{NY}]"},
    ],
)
def test_frames_that_are_kept_whole(sections):
    """Sections of nothing, of the whole, of data alone, and those of a frame trimmed before."""
    assert readout_of(sections, NX, NY) is None


@pytest.mark.parametrize(
    ("sections", "reason"),
    [
        ({"BIASSEC": "left"}, "has BIASSEC = 'left', which is no section such as"),
        ({"BIASSEC": "[73:91,1:120]"}, r"has BIASSEC = '\[73:91,1:120\]' in 90x120 px"),
        ({"TRIMSEC": "[1:70,1:130]"}, r"has TRIMSEC = '\[1:70,1:130\]' in 90x120 px"),
        ({"BIASSEC": "[40:50,1:120]"}, "which is no strip beside the image"),
        ({**RIGHT, "BIASSEC": "[60:90,1:120]"}, "which is no strip beside the image"),
        ({"TRIMSEC": "[1:70,1:100]", "BIASSEC": "[73:90,105:120]"}, "is no strip beside"),
        ({"BSEC11": "[1:5,1:60]", "BSEC12": "[86:90,1:60]"}, r"amplifiers \(BSEC11, BSEC12\)"),
    ],
)
def test_sections_that_make_no_sense_have_a_reason(sections, reason):
    """It holds keyword and value, and where to put it right."""
    with pytest.raises(SectionError, match=reason) as caught:
        readout_of(sections, NX, NY)
    assert "header_fixes" in str(caught.value)


def _frame(path, pixels, packed=False):
    header = fits.Header(RIGHT)
    if packed:
        hdu = fits.CompImageHDU(pixels, header, compression_type="RICE_1")
        fits.HDUList([fits.PrimaryHDU(), hdu]).writeto(path)
    else:
        fits.PrimaryHDU(pixels, header).writeto(path)
    return readout_of(RIGHT, NX, NY).facts()


def _pixels(jump=0.0, dtype=np.uint16):
    rng = np.random.default_rng(6)
    level = 1000 + rng.normal(0, jump, NY)[:, None]
    pixels = level + rng.normal(0, 5, (NY, NX))
    pixels[:, :72] += np.arange(72) * 10.0
    return np.rint(pixels).astype(dtype)


@pytest.mark.parametrize("packed", [False, True])
@pytest.mark.parametrize("dtype", [np.uint16, np.int32, np.float32])
def test_ccdproc_subtracts_and_trims_alike(tmp_path, packed, dtype):
    """Values are those of ccdproc but for the noise of the overscan; the pixels are the same ones.

    ccdproc 2.5, `subtract_overscan` by the median of each row and `trim_image`, for a level that
    jumps from row to row by 40 ADU.
    """
    pixels = _pixels(40.0, dtype)
    facts = _frame(tmp_path / "a.fits", pixels, packed and dtype != np.float32)
    whole = CCDData(pixels.astype(float), unit="adu")
    level = subtract_overscan(whole, fits_section=RIGHT["BIASSEC"], median=True)
    expected = trim_image(level, fits_section=RIGHT["TRIMSEC"]).data
    with open_raw(tmp_path / "a.fits", facts) as image:
        values = image.data()
        assert image.shape == values.shape == expected.shape == (116, 65)
        assert values.dtype == np.float32
        assert np.std(values - expected) < 2 * 5 / np.sqrt(18)
        assert abs(np.mean(values - expected)) < 0.5
        np.testing.assert_array_equal(image.rows(20, 30), values[20:30])
        np.testing.assert_array_equal(image.words(20, 30), values[20:30])
        # Within a row nothing but its level was subtracted.
        raw = pixels[2:118, 5:70].astype(np.float32)
        np.testing.assert_allclose(np.ptp(raw - values, axis=1), 0, atol=2e-4)


def test_overscan_above_the_image_gives_a_level_a_column(tmp_path):
    """A frame that is turned gives the turned result."""
    pixels = _pixels(40.0)
    facts = _frame(tmp_path / "a.fits", pixels)
    turned = {"TRIMSEC": "[3:118,6:70]", "BIASSEC": "[1:120,73:90]"}
    fits.PrimaryHDU(np.ascontiguousarray(pixels.T)).writeto(tmp_path / "b.fits")
    with (
        open_raw(tmp_path / "a.fits", facts) as upright,
        open_raw(tmp_path / "b.fits", readout_of(turned, NY, NX).facts()) as lying,
    ):
        np.testing.assert_array_equal(lying.data(), upright.data().T)


def test_saturation_is_lower_by_the_level(tmp_path):
    """A pixel at full scale stays at or above full scale whatever the level of its row was."""
    pixels = _pixels(40.0)
    pixels[:, 30] = 65535
    facts = _frame(tmp_path / "a.fits", pixels)
    with open_raw(tmp_path / "a.fits", facts) as image, open_raw(tmp_path / "a.fits") as whole:
        assert whole.full_scale == 65535
        assert image.full_scale == whole.full_scale - image.overscan_adu
        assert 1000 < image.overscan_adu < 1200
        full = image.data() >= image.full_scale
        assert full[:, 25].all()
        assert full.sum() == len(full)


def test_a_clipped_converter_is_found_below_a_level_that_drifts(tmp_path):
    """Stars that are cut at 4095 pile up, though the levels of their rows differ by 100 ADU."""
    y, x = np.mgrid[:NY, :NX]
    level = 300 + np.rint(100 * y / NY)
    pixels = level + np.random.default_rng(4).normal(0, 5, (NY, NX))
    for number, (row, column) in enumerate([(20, 20), (60, 50), (100, 30), (35, 60), (80, 15)]):
        peak = 5000 * 1.5**number
        pixels += peak * np.exp(-((y - row) ** 2 + (x - column) ** 2) / 8) * (x < 72)
    facts = _frame(tmp_path / "a.fits", np.clip(np.rint(pixels), 0, 4095).astype(np.uint16))
    with open_raw(tmp_path / "a.fits", facts) as image:
        assert image.step == pytest.approx(100, abs=5)
        pile_up = find_pile_up(brightest_pixels(image.words, image.shape, image.step))
    assert pile_up is not None
    assert 4095 - 400 - 5 <= pile_up.lower <= pile_up.level <= 4095 - 300 + 5


def test_a_frame_that_is_only_trimmed_keeps_its_values(tmp_path):
    """Without BIASSEC nothing is subtracted."""
    pixels = _pixels()
    _frame(tmp_path / "a.fits", pixels)
    with open_raw(tmp_path / "a.fits", {"trim": RIGHT["TRIMSEC"], "bias": ""}) as image:
        np.testing.assert_array_equal(image.data(), pixels[2:118, 5:70])
        assert (image.full_scale, image.overscan_adu) == (65535, 0.0)


def test_a_frame_that_has_changed_is_refused(tmp_path):
    """Sections that do not lie in the file are a reason, and so is an overscan without values."""
    pixels = _pixels(dtype=np.float32)
    facts = _frame(tmp_path / "a.fits", pixels)
    pixels[:, 72:] = np.nan
    fits.PrimaryHDU(pixels).writeto(tmp_path / "blank.fits")
    with pytest.raises(FrameError, match="the overscan has no pixel with a value"):
        open_raw(tmp_path / "blank.fits", facts)
    fits.PrimaryHDU(pixels[:, :80]).writeto(tmp_path / "small.fits")
    with pytest.raises(FrameError, match=r"has no section \[73:90,1:120\] in 80x120 px"):
        open_raw(tmp_path / "small.fits", facts)


def test_the_reference_pixel_moves_with_the_corner():
    """CRPIX counts pixels of what is kept; other cards stay, and texts are read as numbers."""
    readout = readout_of(RIGHT, NX, NY)
    cards = {"CRPIX1": 45.5, "CRPIX2": "60.0", "CRVAL1": 12.0}
    assert trimmed_cards(cards, readout) == {"CRPIX1": 40.5, "CRPIX2": 58.0, "CRVAL1": 12.0}
    assert trimmed_cards(cards, None) == cards
    assert trimmed_cards({"CRPIX1": "x"}, readout) == {"CRPIX1": "x"}


def test_products_tell_of_the_overscan():
    """One card for what was subtracted, one for what was kept; none for whole frames."""
    facts = readout_of(RIGHT, NX, NY).facts()
    cards = overscan_cards([{"sections": facts}, {}, {"sections": facts}])
    assert [card[:2] for card in cards] == [
        ("OVERSCAN", "[73:90,1:120]"),
        ("TRIMMED", "[6:70,3:118]"),
    ]
    assert overscan_cards([{}]) == []
    (trimmed,) = overscan_cards([{"sections": {"trim": "[1:2,1:2]", "bias": ""}}])
    assert trimmed[0] == "TRIMMED"


def test_a_section_is_read_as_it_is_written():
    """Text to section and back."""
    assert str(Section.of_text("[6:70,3:118]")) == "[6:70,3:118]"
    assert Section.of_text(" 6:70, 3:118 ").size == (65, 116)
