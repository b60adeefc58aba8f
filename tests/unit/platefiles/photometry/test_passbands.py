import pytest

from platefiles.photometry.passbands import choose_band


@pytest.mark.parametrize(
    ("filters", "wavelength", "band"),
    [(["G"], 530.0, "VT"), (["B"], None, "BT"), (["R"], None, "VT"), (["odd"], None, "VT")],
)
def test_the_nearest_band_is_chosen(filters, wavelength, band):
    """By wavelength, of the project file or of the filter's name; else the first."""
    found = choose_band(filters, wavelength, ["VT", "BT"])
    assert found.name == band
    assert found.colour == ("BT", "VT")
    assert found.pivot == 0.77


def test_bands_of_gaia_have_their_colour():
    """A red channel goes with G, an infrared one with RP."""
    assert choose_band(["R"], None, ["G", "BP", "RP"]).name == "G"
    assert choose_band(["i"], None, ["G", "BP", "RP"]).name == "RP"
    assert choose_band(["i"], None, ["G", "BP", "RP"]).colour == ("BP", "RP")


@pytest.mark.parametrize(
    ("filters", "wavelength", "said"),
    [
        (["Ha 3nm"], 656.3, "narrow band: magnitudes are those of a Sun-like star"),
        (["R"], None, "not calibrated: no band of the catalogue is near 630 nm"),
        (["odd"], None, "not calibrated: its wavelength is unknown"),
        (["G"], None, ""),
    ],
)
def test_what_is_not_calibrated_is_said(filters, wavelength, said):
    """Narrow, far and unknown bands have a sentence, near ones have none."""
    found = choose_band(filters, wavelength, ["VT", "BT"]).uncalibrated
    assert found.startswith(said)
    assert bool(found) == bool(said)


def test_a_catalogue_of_one_band_has_no_colour():
    """Without a second band there is no colour term."""
    assert choose_band(["G"], None, ["V"]).colour is None
