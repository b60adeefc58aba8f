from dataclasses import replace
from pathlib import Path

import pytest

from platefiles.calibration.matching import Calibrators, match_calibration
from platefiles.calibration.note_sentences import sentence
from platefiles.config.project import Equipment, LoadedProject, Project
from platefiles.config.recipe import Recipe
from platefiles.core.errors import UserError
from platefiles.frames.frame import Frame
from platefiles.raw_folders.frame_list import build_frame_list
from platefiles.raw_folders.scan import scan_folders

LIGHT = Frame(
    id="", path="", name="", role="light", channel="ha", night="2026-03-01", camera="",
    width_px=1440, height_px=1040, binning="1x1", gain=100.0, offset=50.0,
    setting="1440x1040_g100_o50", exposure_s=600.0, temperature_c=-10.0, start_utc="", egain=None,
    unit="", pedestal=0.0, target="", size_bytes=0, fingerprint="",
)  # fmt: skip
BIAS = "bias_1440x1040_g100_o50_m10c"
DARK = "dark_600s_1440x1040_g100_o50_m10c"
FLAT = "flat_ha_2026-03-01_1440x1040_g100_o50"
NAMES = (BIAS, DARK, FLAT.replace("2026-03-01_", ""))


def _loaded(calibration=None, channels=None, **keys):
    filters = {"ha": {"filters": ["Ha"]}, "g": {"filters": ["g"]}}
    for name, more in (channels or {}).items():
        filters[name] = {"filters": [name], **more}
    project = {"title": "X", "raw": ["raw"], "recipe": "plain", "channels": filters, **keys}
    recipe = {"mapping": {"luminance": {"*": 1.0}}, "calibration": calibration or {}}
    return LoadedProject(
        name="x",
        path=Path("config/projects/x.yaml"),
        project=Project.model_validate(project),
        recipe=Recipe.model_validate(recipe),
        recipe_name="plain",
        equipment=Equipment(),
        raw_folders=(),
        lock_path=Path("config/projects/x.lock.yaml"),
    )


def _many(role, count=5, prefix="", **changes):
    if role in ("bias", "dark"):
        changes = {"channel": "", **changes}
    if role == "bias":
        changes = {"exposure_s": 0.0, **changes}
    if role == "flat":
        changes = {"exposure_s": 2.0, **changes}
    frame = replace(LIGHT, role=role, **changes)
    names = [f"{prefix or role}_{n:03d}" for n in range(count)]
    return [replace(frame, id=name, name=f"{name}.fits") for name in names]


def _match(*groups, **keys):
    return match_calibration(sum(groups, []), _loaded(**keys))


def _said(matched):
    return tuple(map(sentence, matched.notes))


def test_the_usual_case():
    """Bias, dark and flat of the setting; the flat is freed of the bias, having no dark."""
    matched = _match(_many("light", 2), _many("bias"), _many("dark"), _many("flat"))
    assert matched.lights == {
        "light_000": Calibrators(BIAS, DARK, FLAT, 1.0),
        "light_001": Calibrators(BIAS, DARK, FLAT, 1.0),
    }
    assert [(m.name, m.bias, m.dark) for m in matched.masters] == [
        (BIAS, None, None),
        (DARK, BIAS, None),
        (FLAT, BIAS, None),
    ]
    assert matched.masters[0].frame_ids == tuple(f"bias_{n:03d}" for n in range(5))
    assert (matched.masters[2].channel, matched.masters[2].night) == ("ha", "2026-03-01")
    assert _said(matched) == ()


def test_flats_take_their_own_darks():
    """Darks of the exposure of every flat go before the bias."""
    own = _many("dark", prefix="own", exposure_s=2.0)
    matched = _match(_many("light"), _many("bias"), _many("dark"), _many("flat"), own)
    flat = matched.masters[-1]
    assert (flat.bias, flat.dark) == (BIAS, "dark_2s_1440x1040_g100_o50_m10c")
    twilight = _many("flat", 4, prefix="a") + _many("flat", 4, prefix="b", exposure_s=3.0)
    matched = _match(_many("light"), _many("bias"), _many("dark"), twilight, own)
    assert (matched.masters[-1].bias, matched.masters[-1].dark) == (BIAS, None)


def test_a_kind_that_is_missing_is_gone_without():
    """One note a kind says what stays in the picture."""
    matched = _match(_many("light", 1))
    assert matched.lights == {"light_000": Calibrators(None, None, None, 1.0)}
    assert matched.masters == ()
    assert [note.split(":")[0] for note in _said(matched)] == [
        "There are no bias frames",
        "There are no darks",
        "There are no flats",
    ]


def test_a_dark_alone_is_taken_with_its_bias_inside():
    """Without bias frames neither the dark nor the light is freed of a bias."""
    matched = _match(_many("light", 1), _many("dark"))
    assert matched.lights["light_000"] == Calibrators(None, DARK, None, 1.0)
    assert matched.masters[0].bias is None


def test_a_bias_alone_serves_lights():
    """Without darks the bias of the setting is taken from the lights."""
    matched = _match(_many("light", 1), _many("bias"))
    assert matched.lights["light_000"] == Calibrators(BIAS, None, None, 1.0)


def test_light_and_dark_are_freed_of_the_same_bias():
    """The bias of the dark serves the light, even where another is nearer to it."""
    cold = _many("bias", prefix="cold", temperature_c=-12.0)
    warm = _many("bias", prefix="warm", temperature_c=-9.0)
    dark = _many("dark", temperature_c=-11.5)
    matched = _match(_many("light", 1), cold, warm, dark)
    light = matched.lights["light_000"]
    assert light.bias == next(m.bias for m in matched.masters if m.name == light.dark)
    assert light.bias == "bias_1440x1040_g100_o50_m12c"


def test_a_bias_that_does_not_fit_the_dark_is_not_taken():
    """A dark with its bias inside takes care of it alone, and a note says so."""
    matched = _match(_many("light", 1), _many("dark"), _many("bias", gain=0.0))
    assert matched.lights["light_000"] == Calibrators(None, DARK, None, 1.0)
    assert f"{DARK} contains the bias level: no bias is subtracted from its frames." in _said(
        matched
    )


def test_the_nearest_temperature_is_taken():
    """Within the tolerance, the nearest of several."""
    darks = _many("dark", prefix="a", temperature_c=-11.8) + _many("dark", prefix="b")
    matched = _match(_many("light", 1, temperature_c=-10.3), darks)
    assert matched.lights["light_000"].dark == DARK
    assert any("m12c (5 frames) serves no light" in note for note in _said(matched))


def test_flats_of_the_nearest_night():
    """The nearest night is taken, of two as near the earlier."""
    flats = _many("flat", prefix="a", night="2026-03-01") + _many(
        "flat", prefix="b", night="2026-03-05"
    )
    for night, expected in (("2026-03-03", "01"), ("2026-03-04", "05"), ("2025-01-01", "01")):
        matched = _match(_many("light", 1, night=night), flats)
        assert f"2026-03-{expected}" in matched.lights["light_000"].flat


def test_what_only_one_side_knows_is_taken_to_fit():
    """A dark without gain and temperature serves, after those that are known to fit."""
    vague = _many("dark", prefix="v", gain=None, temperature_c=None, setting="1440x1040_o50")
    matched = _match(_many("light", 3), vague)
    assert matched.lights["light_000"].dark == "dark_600s_1440x1040_o50"
    assert any(
        note.startswith(
            "The darks for 3 lights of channel 'ha' are assumed to match in gain and temp"
        )
        for note in _said(matched)
    )
    assert _match(_many("light", 1), vague, _many("dark")).lights["light_000"].dark == DARK


def _complaint(*groups, **keys):
    with pytest.raises(UserError) as caught:
        _match(*groups, **keys)
    return str(caught.value)


def test_lights_without_a_dark_are_one_sentence():
    """Who, what was sought, the nearest miss, by how much, and what to do."""
    lights, darks = _many("light", 4, prefix="ha"), _many("dark", exposure_s=300.0)
    assert _complaint(lights, darks, _many("bias")) == (
        "4 lights of channel 'ha' (600 s, gain 100, -10 C; first: ha_000.fits) have no dark: "
        "the nearest is 300 s at -10 C, 300 s too short; add darks of 600 s, "
        "allow `overrides: calibration: scale_darks: true`, or set `channels: ha: dark: none` "
        "in config/projects/x.yaml to go on without."
    )


@pytest.mark.parametrize(
    ("kind", "changes", "words"),
    [
        (
            "dark",
            {"temperature_c": -5.0},
            "the nearest is 600 s at -5 C, 5.0 C too warm; add darks of 600 s and -10 C, "
            "widen `overrides: calibration: temperature_tolerance_c` to 5, or set",
        ),
        (
            "dark",
            {"temperature_c": 15.0},
            "25.0 C too warm; add darks of 600 s and -10 C, or set `channels: ha: dark: none`",
        ),
        (
            "dark",
            {"exposure_s": 630.0},
            "the nearest is 630 s at -10 C, 30 s too long; add darks of 600 s, "
            "widen `overrides: calibration: exposure_tolerance` to 0.05, or set",
        ),
        (
            "dark",
            {"exposure_s": 300.0},
            "add bias frames for these darks, without which they cannot be scaled, or set",
        ),
        (
            "dark",
            {"gain": 0.0},
            "the nearest is 600 s at -10 C with gain 0; add darks of 600 s and gain 100, or set",
        ),
        (
            "dark",
            {"width_px": 720, "binning": "2x2"},
            "with 720x1040 px and binning 2x2; "
            "add darks of 600 s, 1440x1040 px and binning 1x1, or set",
        ),
        (
            "bias",
            {"offset": 10.0},
            "first: light_000.fits) has no bias: the nearest is at -10 C with offset 10; "
            "add bias frames of offset 50, or set `channels: ha: bias: none`",
        ),
        (
            "bias",
            {"temperature_c": -20.0},
            "the nearest is at -20 C, 10.0 C too cold; add bias frames of -10 C, "
            "widen `overrides: calibration: temperature_tolerance_c` to 10, or set",
        ),
        (
            "flat",
            {"channel": "g"},
            "(600 s, gain 100; first: light_000.fits) has no flat: there are only flats of other "
            "channels, such as 'g'; add flats of channel 'ha', or set",
        ),
        (
            "flat",
            {"gain": 5.0},
            "has no flat: the nearest is of 2026-03-01 with gain 5; "
            "add flats of channel 'ha' and gain 100, or set `channels: ha: flat: none`",
        ),
    ],
)
def test_each_miss_has_its_words(kind, changes, words):
    """The nearest miss and the remedies that help against it."""
    assert words in _complaint(_many("light", 1), _many(kind, **changes))


def test_all_that_is_missing_is_said_at_once():
    """One sentence for each channel, kind and setting of lights."""
    lights = _many("light", 2, prefix="ha") + _many("light", 3, prefix="g", channel="g")
    darks, flats = _many("dark", exposure_s=60.0), _many("flat", channel="g")
    lines = _complaint(lights, darks, flats).splitlines()
    assert [line.split(" (")[0] for line in lines] == [
        "2 lights of channel 'ha'",
        "2 lights of channel 'ha'",
        "3 lights of channel 'g'",
    ]


def test_none_goes_without():
    """`dark: none` silences the complaint for its channel and is noted."""
    darks = _many("dark", exposure_s=300.0)
    matched = _match(_many("light", 1), darks, channels={"ha": {"dark": "none"}})
    assert matched.lights["light_000"].dark is None
    assert "Channel 'ha' has dark: none in x.yaml." in _said(matched)


def test_bias_none_with_a_dark_keeps_the_bias_in_both():
    """The dark of such a channel is made without taking off the bias."""
    keys = {"channels": {"ha": {"bias": "none"}}}
    matched = _match(_many("light", 1), _many("bias"), _many("dark"), **keys)
    light = matched.lights["light_000"]
    assert (light.bias, light.dark) == (None, f"{DARK}_with_bias")
    assert [master.bias for master in matched.masters] == [None]


def test_darks_are_scaled_only_where_allowed():
    """The nearest exposure is taken, times the ratio of the exposures, and it is noted."""
    darks = _many("dark", prefix="a", exposure_s=300.0) + _many("dark", prefix="b", exposure_s=60.0)
    frames = (_many("light", 2), darks, _many("bias"))
    matched = _match(*frames, calibration={"scale_darks": True})
    scaled = Calibrators(BIAS, "dark_300s_1440x1040_g100_o50_m10c", None, 2.0)
    assert matched.lights["light_000"] == scaled
    assert "2 lights of channel 'ha' of 600 s use a dark of 300 s, scaled by 2." in _said(matched)
    assert "scale_darks: true" in _complaint(*frames)


def test_a_dark_that_fits_is_not_scaled():
    """Where allowed, scaling is for lights without a dark of their exposure."""
    matched = _match(
        _many("light", 1),
        _many("dark", exposure_s=603.0),
        _many("bias"),
        calibration={"scale_darks": True},
    )
    assert matched.lights["light_000"].dark_scale == 1.0


def test_scaling_without_a_bias_is_refused():
    """The bias would be scaled as well, and the sentence says what is needed."""
    frames = (_many("light", 1), _many("dark", exposure_s=300.0))
    words = "add bias frames for these darks, without which they cannot be scaled"
    assert words in _complaint(*frames, calibration={"scale_darks": True})


def test_calibrated_frames_are_left_alone():
    """Nothing is matched, whatever calibration frames there are."""
    matched = _match(_many("light", 1), _many("dark", gain=0.0), calibrated=True)
    assert matched.lights == {"light_000": Calibrators(None, None, None, 1.0)}
    assert matched.masters == ()
    assert _said(matched) == ("The frames are calibrated already (x.yaml: calibrated: true).",)


def test_unknown_exposures_of_calibrated_lights_are_told():
    """A sentence a channel counts them and names the keyword."""
    lights = [*_many("light", 2, exposure_s=0.0), *_many("light", 1)]
    _, note = _said(_match(lights, calibrated=True))
    assert note.startswith(
        "Channel 'ha': the total exposure is unknown, since no header of 2 lights"
    )
    assert "EXPTIME under `header_fixes`" in note


def test_masters_that_are_weak_are_noted():
    """Few frames, flats left out, and a flat that keeps its bias."""
    flats = _many("flat", prefix="a") + _many("flat", 2, prefix="b", night="2026-03-02")
    notes = _said(_match(_many("light"), _many("dark", 2), flats))
    assert f"{DARK} is made of 2 frames only, and adds noise to the lights." in notes
    assert any(note.startswith(f"{FLAT} keeps its bias") for note in notes)
    assert any(note.startswith("The 2 flats of channel 'ha' of 2026-03-02") for note in notes)


@pytest.mark.parametrize(("count", "what"), [(1, "one frame"), (4, "4 frames"), (5, None)])
def test_a_master_of_fewer_than_five_frames_is_told(count, what):
    """Whatever its kind, with the number of its frames; five are enough."""
    kinds = (_many("bias", count), _many("dark", count), _many("flat", count))
    notes = [note for note in _said(_match(_many("light"), *kinds)) if "is made of" in note]
    expected = [f"{n} is made of {what} only, and adds noise to the lights." for n in NAMES]
    assert notes == (expected if what else [])


def test_a_single_frame_nearer_in_temperature_does_not_serve():
    """Of darks that fit, five come before one that is a degree nearer."""
    darks = _many("dark", prefix="a", temperature_c=-10.0) + _many(
        "dark", 1, prefix="b", temperature_c=-12.3
    )
    matched = _match(_many("light", 1, temperature_c=-11.8), darks)
    assert matched.lights["light_000"].dark == DARK
    alone = _match(_many("light", 1, temperature_c=-13.0), darks)
    assert alone.lights["light_000"].dark == DARK.replace("m10c", "m12c")


def test_order_of_frames_does_not_matter():
    """Any order of the same frames gives the same masters, matches and notes."""
    frames = sum((_many(role, 6) for role in ("light", "bias", "dark", "flat")), [])
    one = match_calibration(frames, _loaded())
    other = match_calibration(frames[::-1], _loaded())
    assert (one.masters, one.lights, one.notes) == (other.masters, other.lights, other.notes)


def test_night_of_a_ccd(raw_series):
    """Bias and dark frames make two masters that serve all lights; there are no flats."""
    series = raw_series("slow-mover")
    loaded = _loaded(channels={"open": {"filters": ["Open"]}})
    frames = build_frame_list(scan_folders([series.folder], None, False), loaded)
    matched = match_calibration(frames, loaded)
    assert [(m.kind, len(m.frame_ids)) for m in matched.masters] == [
        ("bias", series.bias_count),
        ("dark", series.dark_count),
    ]
    bias, dark = matched.masters
    assert set(matched.lights.values()) == {Calibrators(bias.name, dark.name, None, 1.0)}
    assert len(matched.lights) == series.light_count
    assert _said(matched) == ("There are no flats: vignetting and the shadows of dust stay.",)
