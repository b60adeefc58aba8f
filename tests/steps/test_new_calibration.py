"""Drafts of projects and their calibration frames."""

import numpy as np
import pytest
from steps.drafts import survey_folders
from steps.target_series import series

from platecli.drafting.draft_summary import found_lines


def test_darks_that_are_missing_are_told_on_the_console(drafting):
    """The lines name the exposure and the temperature of the frames that are wanted."""
    series(drafting, "a", exposure=180.0, CCD_TEMP=-19.2)
    series(drafting, "b", exposure=240.0, CCD_TEMP=-18.9, OBJECT="")
    path = drafting.projects / "field.yaml"
    said = found_lines(survey_folders([drafting.raw], path), path)
    assert (
        "  dark: none; take darks of 180 s at -19 C and 240 s at -19 C, five or more of each"
        in said
    )
    assert "  bias: none; take bias frames at -19 C, five or more of each" in said
    assert "  flat: none; take flats of channel g, five or more of each" in said


def test_darks_that_do_not_fit_are_scaled_if_that_is_all(drafting, capsys):
    """With bias frames, darks of another exposure are scaled, and those that fit are kept."""
    cards = {"CCD_TEMP": -10.0, "GAIN": 1}
    series(drafting, "a", exposure=300.0, **cards)
    series(drafting, "b", exposure=120.0, **cards)
    for number in range(5):
        drafting.frame(f"bias{number}.fits", IMAGETYP="bias", EXPTIME=0.0, **cards)
        drafting.frame(f"dark{number}.fits", IMAGETYP="dark", EXPTIME=300.0, **cards)
    text, loaded = drafting.draft()
    assert loaded.recipe.calibration.scale_darks is True
    assert loaded.project.channels["g"].dark == "auto"
    assert "# Note: no darks match 4 lights of channel 'g': the nearest is 300 s" in text
    path = drafting.projects / "again.yaml"
    said = found_lines(survey_folders([drafting.raw], path), path)
    (line,) = [line for line in said if line.startswith("  calibration: ")]
    assert "the file has `calibration: scale_darks: true`" in line
    assert line.endswith("Add darks of 120 s at -10 C.")
    assert drafting.check(capsys) == (0, "")


@pytest.mark.parametrize(
    ("own", "others", "key", "value"),
    [
        ({"CCD_TEMP": -10.0}, {"CCD_TEMP": -13.6}, "temperature_tolerance_c", 4.0),
        ({"EXPTIME": 301.0}, {"EXPTIME": 330.0}, "exposure_tolerance", 0.09),
    ],
)
def test_darks_that_nearly_fit_are_kept(drafting, capsys, own, others, key, value):
    """Within 5 C or 20 % the tolerance is widened, and the lights of both kinds keep darks."""
    cards = {"IMAGETYP": "light", "FILTER": "G", "EXPTIME": 301.0, "CCD_TEMP": -10.0}
    for number in range(5):
        drafting.frame(f"dark{number}.fits", **{**cards, **own, "IMAGETYP": "dark"})
        drafting.frame(f"l{number}.fits", **{**cards, **own})
        drafting.frame(f"m{number}.fits", **{**cards, **others})
    _, loaded = drafting.draft()
    assert getattr(loaded.recipe.calibration, key) == value
    assert loaded.project.channels["g"].dark == "auto"
    assert drafting.check(capsys) == (0, "")


def test_calibration_frames_of_another_camera_setting(drafting, capsys):
    """Where nothing fits, the channel goes without, and the console says what would help."""
    series(drafting, "a", GAIN=100, filters=("G", "Ha"))
    for kind in ("bias", "dark", "flat"):
        for number in range(3):
            cards = {"IMAGETYP": kind, "EXPTIME": 120.0, "FILTER": "G", "GAIN": 200}
            drafting.frame(f"{kind}{number}.fits", **cards)
    _, loaded = drafting.draft()
    channel = loaded.project.channels["g"]
    assert (channel.bias, channel.dark, channel.flat) == ("none", "none", "none")
    path = drafting.projects / "again.yaml"
    said = "\n".join(found_lines(survey_folders([drafting.raw], path), path))
    assert said.count("match 4 lights of channel") == 6
    assert "gain 200" in said
    assert "there are only flats of other channels, such as 'g'; the file has `flat: none`" in said
    assert drafting.check(capsys) == (0, "")


@pytest.mark.parametrize(
    ("cards", "dtype", "calibrated"),
    [
        ({"BUNIT": "nanomaggy"}, "float32", True),
        ({"CTYPE1": "RA---TAN"}, "float32", True),
        ({"CTYPE1": "RA---TAN"}, "uint16", False),
        ({"CALSTAT": "BDF"}, "uint16", True),
        ({"CALSTAT": "BD"}, "uint16", False),
        ({"FLATCOR": "flat divided, 2026-01-01"}, "float32", True),
        ({"FLATCOR": "F"}, "float32", False),
        ({}, "float32", False),
    ],
)
def test_single_calibrated_frames(drafting, capsys, cards, dtype, calibrated):
    """Unit, world coordinates of real numbers, or a card on flats tell of calibration."""
    for value in "gri":
        data = np.full((6, 8), ord(value), dtype=dtype)
        drafting.frame(f"{value}.fits", data, IMAGETYP="light", EXPTIME=5.0, FILTER=value, **cards)
    text, loaded = drafting.draft()
    assert loaded.project.calibrated is calibrated
    assert loaded.recipe.integration.min_subs == (1 if calibrated else 3)
    path = drafting.projects / "again.yaml"
    said = found_lines(survey_folders([drafting.raw], path), path)
    told = "The lights look calibrated already: the file has `calibrated: true` and `min_subs: 1`."
    assert (f"  {told}" in said) is calibrated
    assert drafting.check(capsys) == (0, "")


def test_calibration_frames_speak_against_calibrated_lights(drafting):
    """Lights with darks of their camera and size beside them are raw, whatever headers say."""
    data = np.ones((6, 8), dtype=np.float32)
    drafting.frame("l.fits", data, IMAGETYP="light", EXPTIME=5.0, FILTER="g", CTYPE1="RA---TAN")
    drafting.frame("d.fits", np.ones((6, 9), "uint16"), IMAGETYP="dark", EXPTIME=5.0)
    assert drafting.draft("other-size")[1].project.calibrated is True
    drafting.frame("e.fits", IMAGETYP="dark", EXPTIME=5.0)
    assert drafting.draft()[1].project.calibrated is False
