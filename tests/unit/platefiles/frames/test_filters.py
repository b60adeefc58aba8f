from types import SimpleNamespace

import pytest

from platefiles.frames.filters import canonical_filter, claims, wavelength_nm


def project(**channels):
    """Return the part of a project that `claims` needs: channels with their filters."""
    return SimpleNamespace(
        channels={name: SimpleNamespace(filters=filters) for name, filters in channels.items()}
    )


def channel_of(filter_value, of):
    """Name of the channel that takes a filter, or ""."""
    return claims(of).get(canonical_filter(filter_value), "")


# Spellings that capture programs write: common practice, no source.
@pytest.mark.parametrize(
    ("canonical", "spellings"),
    [
        ("ha", "Ha|HA|ha|H-alpha|H_alpha|H alpha|Halpha|HA 3nm|Ha-6.5nm|Ha3nm|Ha (7 nm)|Hα "),
        ("hb", "Hb|H-beta|HBeta|Hβ"),
        ("oiii", "OIII|O3|[OIII]|O III|oiii 3nm|O-III|OⅢ|[O III] 5nm"),
        ("sii", "SII|S2|[SII]|S II|S-II 6nm"),
        ("nii", "NII|[N II]|N2"),
        ("lum", "L|l|Lum|Luminance|Clear|LUM filter"),
        ("red", "R|Red|RED|red filter|R filter"),
        ("green", "G|Green|grn"),
        ("blue", "B|b|Blue"),
        ("g", "g|g'|SDSS g|SDSS g'|sdss_g|Sloan-g|SDSS G|gp"),
        ("r", "r|r'|SDSS r|Sloan r'"),
        ("i", "i|i'|sdss-i|ip"),
        ("I", "I"),
        ("open", "open|Open|None|No Filter|EMPTY|  "),
    ],
)
def test_spellings_of_one_filter_are_one(canonical, spellings):
    """Every common spelling of a filter has the same canonical name."""
    assert {text: canonical_filter(text) for text in spellings.split("|")} == dict.fromkeys(
        spellings.split("|"), canonical
    )


def test_no_filter_is_open():
    """A frame without FILTER counts as taken through no filter."""
    assert canonical_filter(None) == canonical_filter("") == "open"


def test_unknown_filters_keep_their_name():
    """A filter that nobody knows is itself, however it is spaced and capitalised."""
    assert canonical_filter("Quad Band-X") == canonical_filter("quadbandx") == "quadbandx"
    assert canonical_filter("656nm") == "656nm"
    assert canonical_filter("3") == "3"


def test_known_filters_stay_apart():
    """Different filters never share a canonical name."""
    names = ["Ha", "Hb", "OIII", "SII", "NII", "L", "R", "G", "B", "V", "U", "I", "g", "r", "i"]
    names += ["u", "z", "open"]
    assert len({canonical_filter(name) for name in names}) == len(names)


def test_case_of_single_letters_is_free_in_one_channel():
    """Where only one of G and g is claimed, its channel takes both."""
    assert channel_of("g", project(green=["G"])) == "green"
    assert channel_of("G", project(survey=["g"])) == "survey"
    assert channel_of("I", project(near=["i"])) == "near"


def test_case_of_single_letters_decides_between_two_channels():
    """Where both G and g are claimed, the case decides."""
    both = project(green=["G"], survey=["g"], near=["i"], cousins=["I"])
    assert [channel_of(f, both) for f in ("G", "g", "g'", "Green", "i", "I")] == [
        "green",
        "survey",
        "survey",
        "green",
        "near",
        "cousins",
    ]


def test_channel_of_an_unclaimed_filter_is_empty():
    """A filter that no channel claims has no channel."""
    assert channel_of("SII", project(ha=["Ha"])) == ""
    assert channel_of(None, project(ha=["Ha"])) == ""


def test_frames_without_filter_go_to_the_open_channel():
    """Open, None and no FILTER feed a channel that claims any of them."""
    grey = project(grey=["open"])
    assert [channel_of(f, grey) for f in ("Open", "", None, "none")] == ["grey"] * 4


def test_wavelengths_of_lines():
    """Emission lines lie where NIST's tables of air wavelengths have them (values from memory)."""
    assert wavelength_nm("H-alpha") == pytest.approx(656.28, abs=0.05)
    assert wavelength_nm("H-beta") == pytest.approx(486.13, abs=0.05)
    assert wavelength_nm("OIII") == pytest.approx(500.68, abs=0.05)
    assert wavelength_nm("SII") == pytest.approx((671.64 + 673.08) / 2, abs=0.05)
    assert wavelength_nm("NII") == pytest.approx(658.35, abs=0.06)


def test_wavelength_of_an_unknown_filter_is_not_guessed():
    """An unknown filter and no filter have no wavelength."""
    assert wavelength_nm("Quad") is None
    assert wavelength_nm("open") is None
