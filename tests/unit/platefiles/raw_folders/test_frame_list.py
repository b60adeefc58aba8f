from collections import Counter
from pathlib import Path

import pytest

from platefiles.config.project import Equipment, LoadedProject, Project
from platefiles.config.recipe import Recipe
from platefiles.core.errors import UserError
from platefiles.frames.frame import read_frame_list, write_frame_list
from platefiles.raw_folders.frame_list import build_frame_list
from platefiles.raw_folders.scan import RawFile, scan_folders

LIGHT = {"IMAGETYP": "Light", "FILTER": "Ha", "EXPTIME": 600.0, "GAIN": 100, "OFFSET": 50}


def _loaded(site=None, **keys):
    project = {
        "title": "Invented",
        "raw": ["raw"],
        "recipe": "plain",
        "channels": {"ha": {"filters": ["Ha"]}, "g": {"filters": ["g"]}},
        **keys,
    }
    return LoadedProject(
        name="x",
        path=Path("config/projects/x.yaml"),
        project=Project.model_validate(project),
        recipe=Recipe.model_validate({"mapping": {"luminance": {"*": 1.0}}}),
        recipe_name="plain",
        equipment=Equipment.model_validate({"site": site}),
        raw_folders=(Path("/raw"),),
        lock_path=Path("config/projects/x.lock.yaml"),
    )


def _raw(inside, size=(1440, 1040), folder="/raw", reason="", fingerprint=None, **cards):
    return RawFile(
        path=f"{folder}/{inside}",
        folder=folder,
        inside=inside,
        size_bytes=2880,
        mtime_ns=0,
        width_px=size[0],
        height_px=size[1],
        header={**LIGHT, **{key.replace("_", "-"): value for key, value in cards.items()}},
        reason=reason,
        fingerprint=fingerprint or f"{folder}/{inside}",
    )


def _sheet(*raw_files, **keys):
    return {frame.name: frame for frame in build_frame_list(raw_files, _loaded(**keys))}


def test_roles_channels_and_settings():
    """Lights and flats have a channel, bias and dark none; the setting is a safe name."""
    frames = _sheet(
        _raw("l.fits", INSTRUME="Mono 26"),
        _raw("f.fits", IMAGETYP="Flat", FILTER="H-alpha", EXPTIME=2.5),
        _raw("d.fits", IMAGETYP="Dark", CCD_TEMP=-10.0),
        _raw("b.fits", IMAGETYP="Bias", EXPTIME=0.0, XBINNING=2),
    )
    assert [frames[n].role for n in ("l.fits", "f.fits", "d.fits", "b.fits")] == [
        "light", "flat", "dark", "bias",
    ]  # fmt: skip
    assert [frames[n].channel for n in ("l.fits", "f.fits", "d.fits", "b.fits")] == [
        "ha", "ha", "", "",
    ]  # fmt: skip
    assert frames["l.fits"].setting == "mono_26_1440x1040_g100_o50"
    assert frames["b.fits"].setting == "1440x1040_bin2x2_g100_o50"
    assert (frames["d.fits"].temperature_c, frames["d.fits"].exposure_s) == (-10.0, 600.0)


@pytest.mark.parametrize(
    ("raw", "reason"),
    [
        (_raw("a.fits", FILTER="sii"), "FILTER = 'sii' is in no channel of x.yaml"),
        (_raw("a.fits", FILTER="../../x"), "FILTER = '../../x' is in no channel of x.yaml"),
        (_raw("a.fits", FILTER=""), "has no FILTER, which is in no channel of x.yaml"),
        (_raw("a.fits", reason="is not a FITS file"), "is not a FITS file"),
        (_raw("a.fits", IMAGETYP="focus"), "IMAGETYP = 'focus' is no known kind of frame"),
        (_raw("a.fits", EXPTIME=0.0), "has no exposure time in its header; set EXPTIME"),
        (_raw("clouds/a.fits"), "excluded in x.yaml"),
        (_raw("n1/bad_1.fits"), "excluded in x.yaml"),
        (_raw("n1/bad_1.fits", reason="is not a FITS file"), "excluded in x.yaml"),
    ],
)
def test_what_is_unused_says_why(raw, reason):
    """The reason holds the value and the remedy, and the frame has no channel."""
    (frame,) = _sheet(raw, exclude=["clouds/*", "bad_*"]).values()
    assert (frame.role, frame.channel) == ("unused", "")
    assert frame.reason.startswith(reason)


def test_lights_of_other_targets_are_left_out_and_nothing_else():
    """The key `lights` concerns lights; darks and flats are used regardless of OBJECT."""
    frames = _sheet(
        _raw("a.fits", OBJECT="M 31"),
        _raw("b.fits", OBJECT="M 33"),
        _raw("c.fits"),
        _raw("d.fits", IMAGETYP="Dark", OBJECT="M 33"),
        _raw("f.fits", IMAGETYP="Flat", OBJECT="M 33", EXPTIME=1.0),
        lights={"objects": ["m31"]},
    )
    assert [frame.role for frame in frames.values()] == [
        "light",
        "unused",
        "unused",
        "dark",
        "flat",
    ]
    assert frames["b.fits"].reason == "excluded in x.yaml by `lights` (OBJECT = 'M 33')"
    assert frames["c.fits"].reason == "excluded in x.yaml by `lights` (no OBJECT)"


def test_frames_of_colour_sensors_are_not_used():
    """Of any kind; the reason names the card and the remedy, which helps."""
    raws = [
        _raw("l.fits", BAYERPAT="RGGB"),
        _raw("d.fits", IMAGETYP="Dark", BAYERPAT="RGGB"),
        _raw("m.fits", BAYERPAT="MONO"),
    ]
    frames = _sheet(*raws)
    assert [frame.role for frame in frames.values()] == ["unused", "unused", "light"]
    assert frames["l.fits"].reason == (
        "comes from a colour sensor (BAYERPAT = 'RGGB'), and only monochrome cameras are "
        "supported; if the camera is monochrome, say so under `header_fixes` ({BAYERPAT: none})"
    )
    frames = _sheet(*raws, header_fixes={"*": {"BAYERPAT": "none"}})
    assert [frame.role for frame in frames.values()] == ["dark", "light", "light"]


def test_overscan_is_told_by_the_header_or_a_fix():
    """Size and setting are those of the trimmed image; the overscan includes a pedestal."""
    cards = {"BIASSEC": "[1401:1440,1:1040]", "TRIMSEC": "[1:1400,1:1040]", "PEDESTAL": -100}
    frame = _sheet(_raw("a.fits", **cards))["a.fits"]
    assert (frame.width_px, frame.height_px, frame.setting) == (1400, 1040, "1400x1040_g100_o50")
    assert (frame.trim_section, frame.bias_section) == ("[1:1400,1:1040]", "[1401:1440,1:1040]")
    assert frame.pedestal == 0.0
    erased = {"*": {"BIASSEC": "", "TRIMSEC": ""}}
    whole = _sheet(_raw("a.fits", **cards), header_fixes=erased)["a.fits"]
    assert (whole.width_px, whole.trim_section, whole.pedestal) == (1440, "", -100.0)
    stated = {"*": {"TRIMSEC": "[11:1440,1:1040]"}}
    assert _sheet(_raw("a.fits"), header_fixes=stated)["a.fits"].trim_section == "[11:1440,1:1040]"
    assert _sheet(_raw("a.fits", **cards), calibrated=True)["a.fits"].trim_section == ""


def test_sections_that_make_no_sense_leave_a_frame_out():
    """The reason names the keyword and the remedy, and one bad frame stops no other."""
    frames = _sheet(_raw("a.fits", BIASSEC="[1:9,1:2000]"), _raw("b.fits"))
    assert frames["a.fits"].reason.startswith("has BIASSEC = '[1:9,1:2000]' in 1440x1040 px; corr")
    assert frames["b.fits"].role == "light"


def test_calibrated_lights_may_lack_the_exposure():
    """Their unit is kept, so nothing is divided by it; other lights need it."""
    frames = _sheet(_raw("a.fits", EXPTIME=""), calibrated=True)
    assert (frames["a.fits"].role, frames["a.fits"].exposure_s) == ("light", 0.0)
    assert _sheet(_raw("a.fits", EXPTIME=""))["a.fits"].role == "unused"
    untyped = _raw("a.fits", EXPTIME="", IMAGETYP="")
    assert _sheet(untyped, calibrated=True)["a.fits"].role == "light"
    assert "set IMAGETYP under `header_fixes`" in _sheet(untyped)["a.fits"].reason


def test_header_fixes_count_before_everything():
    """A fix gives a frame its channel and its kind."""
    fixes = {"*_x.fits": {"FILTER": "g"}, "flats/*": {"IMAGETYP": "flat"}}
    frames = _sheet(_raw("a_x.fits"), _raw("flats/a.fits"), header_fixes=fixes)
    assert (frames["a_x.fits"].role, frames["a_x.fits"].channel) == ("light", "g")
    assert (frames["flats/a.fits"].role, frames["flats/a.fits"].channel) == ("flat", "ha")


def test_a_misspelt_fix_is_one_sentence():
    """It names the file, the pattern and the likely card."""
    message = r"x\.yaml: header_fixes: \*: FLITER is never read; did you mean FILTER\?"
    with pytest.raises(UserError, match=message):
        _sheet(_raw("a.fits"), header_fixes={"*": {"FLITER": "g"}})


def test_lights_of_another_size_are_left_out():
    """Only lights, and only those unlike the others of their camera and binning."""
    frames = _sheet(
        *(_raw(f"{n}.fits") for n in range(3)),
        _raw("small.fits", size=(320, 200)),
        _raw("binned.fits", size=(720, 520), XBINNING=2),
        _raw("other.fits", size=(800, 600), INSTRUME="Second"),
        _raw("flat.fits", size=(320, 200), IMAGETYP="Flat"),
    )
    assert {name for name, frame in frames.items() if frame.role == "unused"} == {"small.fits"}
    assert frames["small.fits"].reason == "is 320x200 px where the other lights are 1440x1040"


def test_the_second_copy_is_left_out():
    """Same content in two places counts once, the first that is found."""
    first = _raw("n1/a.fits", fingerprint="1")
    frames = _sheet(first, _raw("n2/b.fits", fingerprint="1"), _raw("n3/c.fits", fingerprint="2"))
    assert [f.role for f in frames.values()].count("light") == 2
    assert frames["n2/b.fits"].reason == "same content as n1/a.fits"


def test_same_path_in_two_raw_folders():
    """Ids stay unique, and that of the first folder does not change by the second."""
    alone = build_frame_list([_raw("a.fits", folder="/one")], _loaded())
    both = build_frame_list([_raw("a.fits", folder=f) for f in ("/one", "/two")], _loaded())
    assert len({frame.id for frame in both}) == 2
    assert alone[0] in both


def test_nights_by_the_site():
    """The equipment's site overrides the header; without both, nights are in UTC."""
    evening = {"DATE_OBS": "2026-03-02T01:00:00"}
    late = {"DATE_OBS": "2026-03-02T12:30:00"}
    site = {"latitude_deg": 20.0, "longitude_deg": -150.0}
    assert _sheet(_raw("a.fits", **late))["a.fits"].night == "2026-03-02"
    assert _sheet(_raw("a.fits", **late), site=site)["a.fits"].night == "2026-03-01"
    header = _raw("a.fits", SITELONG="75 W", **evening)
    assert _sheet(header)["a.fits"].night == "2026-03-01"
    assert _sheet(_raw("a.fits", IMAGETYP="Bias"))["a.fits"].night == "undated"


@pytest.mark.parametrize("longitude", [71.485, -71.485])
def test_longitude_counted_to_the_west_does_not_split_a_night(longitude):
    """Lights from 23h to 9h UTC must be from a site in the west, regardless of the sign."""
    hours = ("01T23", "02T03", "02T06", "02T09")
    lights = [
        _raw(f"{n}.fits", SITELONG=longitude, DATE_OBS=f"2026-03-{hour}:30:00")
        for n, hour in enumerate(hours)
    ]
    assert {frame.night for frame in _sheet(*lights).values()} == {"2026-03-01"}


def test_the_sheet_comes_back_as_it_was(tmp_path):
    """Odd names, odd header text and missing numbers survive; an equal sheet is not rewritten."""
    frames = build_frame_list(
        [
            _raw("a\tb\n\\x \udcff.fits", OBJECT="caf\u00e9 \\t", PEDESTAL=-100, CCD_TEMP=-10.1),
            _raw("$(touch x) 'q\" {x}.fits", FILTER="../../x", GAIN=0.1, EGAIN=1 / 3),
            _raw("empty.fits", reason="is empty (0 bytes)"),
        ],
        _loaded(),
    )
    path = tmp_path / "results" / "frames.tsv"
    assert write_frame_list(frames, path)
    assert not write_frame_list(frames, path)
    assert read_frame_list(path) == frames
    lines = path.read_text(encoding="utf-8").splitlines()
    assert len(lines) == 4
    assert {line.count("\t") for line in lines} == {lines[0].count("\t")}
    assert lines[0].startswith("id\tpath\tname\trole\treason\tchannel\tnight\tcamera")


def test_another_table_is_no_frame_sheet(tmp_path):
    """Reading says so instead of guessing columns."""
    (tmp_path / "frames.tsv").write_text("id\tfile\n")
    with pytest.raises(ValueError, match=r"frames\.tsv is no list of frames of this version"):
        read_frame_list(tmp_path / "frames.tsv")


def test_night_of_a_ccd_is_one_night(raw_series):
    """Bias, dark and light frames are all of the evening of 12 October 2018."""
    series = raw_series("slow-mover")
    loaded = _loaded(channels={"open": {"filters": ["Open"]}})
    frames = build_frame_list(scan_folders([series.folder], None, False), loaded)
    roles = [frame.role for frame in frames]
    expected = {"bias": series.bias_count, "dark": series.dark_count, "light": series.light_count}
    assert Counter(roles) == expected
    assert {frame.night for frame in frames} == {"2018-10-12"}
    assert {frame.pedestal for frame in frames} == {-100.0}


def test_survey_frames_by_header_fixes(raw_series):
    """Three bands that all say FILTER g come apart by the file's name."""
    channels = {band: {"filters": [band]} for band in "gri"}
    fixes = {"*_i.fits": {"FILTER": "i"}, "*_r.fits": {"FILTER": "r"}}
    loaded = _loaded(channels=channels, header_fixes=fixes)
    frames = build_frame_list(scan_folders([raw_series("gri-group").folder], None, False), loaded)
    assert {frame.name: (frame.role, frame.channel) for frame in frames} == {
        f"reprojected_sdss_{band}.fits": ("light", band) for band in "gri"
    }
