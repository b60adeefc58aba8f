import pytest

from platefiles.frames.frame_type import kind_of_path, kind_of_type


@pytest.mark.parametrize(
    ("value", "kind"),
    [
        ("Light Frame", "light"),
        ("LIGHT", "light"),
        ("object", "light"),
        ("science", "light"),
        ("Flat Field", "flat"),
        ("flat", "flat"),
        ("skyflat", "flat"),
        ("Twilight Flat", "flat"),
        ("Dark Frame", "dark"),
        ("DARKFLAT", "dark"),
        ("flat dark", "dark"),
        ("Bias Frame", "bias"),
        ("zero", "bias"),
        ("Offset", "bias"),
        ("Master Dark", "master"),
        ("focus", ""),
        ("47", ""),
        ("", ""),
    ],
)
def test_every_common_spelling_of_the_type_is_known(value, kind):
    """The spellings of IMAGETYP that capture programs write (common practice, no source)."""
    assert kind_of_type(value) == kind


@pytest.mark.parametrize(
    ("inside", "folder", "kind"),
    [
        ("001.fits", "lights", "light"),
        ("darks/001.fits", "lights", "dark"),
        ("flats/2026-03-01/001.fits", "raw", "flat"),
        ("ha_lights/001.fits", "raw", "light"),
        ("Flats_Ha_3nm/001.fits", "raw", "flat"),
        ("Dark 600s -10C/001.fits", "raw", "dark"),
        ("dark flats/001.fits", "raw", "dark"),
        ("calibration/bias_001.fits", "raw", "bias"),
        ("calibration/bias0001.fits", "raw", "bias"),
        ("flat-dark_001.fits", "raw", "dark"),
        ("flatfield_001.fits", "raw", "flat"),
        ("lights_001.fits", "raw", "light"),
    ],
)
def test_folder_and_file_names_tell_the_kind(inside, folder, kind):
    """The nearest folder with a kind counts first, then the raw folder, then the file's name."""
    assert kind_of_path(inside, folder) == kind


@pytest.mark.parametrize(
    "inside", ["dark_nebula/001.fits", "lightning/001.fits", "biased.fits", "m31/L_001.fits"]
)
def test_a_target_is_no_kind(inside):
    """A target whose name holds such a word is not taken for one."""
    assert kind_of_path(inside, "raw") == ""
