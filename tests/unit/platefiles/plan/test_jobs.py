import json
from dataclasses import replace
from importlib import import_module

import pytest
from unit.platefiles.plan.every_job import (
    CHANNELS,
    NIGHTS,
    jobs_of,
    rules_of,
)

from platefiles.blink.resampled_frames import BlinkJob
from platefiles.calibration import note_sentences
from platefiles.calibration.note import NoteKind
from platefiles.config.recipe import Recipe
from platefiles.core.errors import UserError
from platefiles.integration.integrate_job import IntegrateJob
from platefiles.plan.calibration_jobs import (
    measure_stars_job,
)
from platefiles.plan.channel_jobs import assess_job, integrate_job, register_job, subs_job
from platefiles.plan.grid_jobs import grid_job
from platefiles.plan.picture_channels import (
    all_picture_files,
    channels_of,
)
from platefiles.provenance.code_digests import code_digest
from platefiles.settings.integration import Integration


def test_plan_of_the_tiny_set(plan_of):
    """Channels, nights, masters and paths are those of the set."""
    plan = plan_of()
    assert plan.channels == CHANNELS
    assert [plan.nights(channel) for channel in CHANNELS] == [NIGHTS] * 3
    assert [len(plan.lights("g", night)) for night in NIGHTS] == [4, 4]
    starts = [frame.start_utc for frame in plan.lights("g")]
    assert starts == sorted(starts)
    kinds = sorted(name.split("_")[0] for name in plan.masters)
    assert kinds == ["bias", "dark", "dark", *["flat"] * 6]
    assert len(plan.masters_of(plan.lights("g"))) == 4
    assert len(plan.masters_of(plan.lights("g", NIGHTS[0]))) == 3
    assert plan.paths.measures("g", NIGHTS[0]) == "results/tiny/measures/g/2026-03-23.fits"
    assert channels_of(plan, "ha-in-red") == list(CHANNELS)
    assert all_picture_files(plan)[0] == "results/tiny/picture/ha-in-red.png"


def test_jobs_are_canonical_json_with_the_code_of_their_step(plan_of):
    """A job is one line of JSON in one spelling, with project, settings and code digest.

    Masters are of no project: two with the same frames share them.
    """
    for key, text in jobs_of(plan_of()).items():
        job = json.loads(text)
        assert text == json.dumps(job, sort_keys=True, separators=(",", ":"))
        (rule,) = rules_of([key])
        assert job["project"] == (None if rule.startswith("master") else "tiny")
        assert job["code"] == code_digest(f"{rule}.py")


ELSEWHERE = {"integrate": IntegrateJob, "draw_blink": BlinkJob}
"""Jobs of steps that other modules need too."""


def test_a_step_takes_the_job_of_its_rule(plan_of):
    """Each job passes the check of its step, with its settings by group; one key less does not."""
    for key, text in jobs_of(plan_of()).items():
        (rule,) = rules_of([key])
        kind = ELSEWHERE.get(rule) or getattr(import_module(rule), "Job", None)
        job = json.loads(text)
        if rule == "solve_astrometry":  # which waits for the reference
            assert job["sub"] is None
            job["sub"] = {"id": "g-01"}
        assert set(job["settings"]) <= {*Recipe.model_fields, "sky"}
        if kind is None:
            assert rule == "list_sources"
            continue
        assert kind.of(job).recorded == job
        for group, settings in job["settings"].items():
            less = {name: settings[name] for name in sorted(settings)[1:]}
            lacking = job | {"settings": job["settings"] | {group: less}}
            with pytest.raises(UserError, match=r"written by another version of it: settings\b"):
                kind.of(lacking)


def test_jobs_say_nothing_of_the_machine(plan_of, tiny_raw, tmp_path):
    """No job contains a path of this machine, so moving a folder remakes nothing."""
    for text in jobs_of(plan_of()).values():
        assert str(tmp_path) not in text
        assert str(tiny_raw) not in text


def test_few_subs_are_searched_for_cosmic_rays_one_by_one(plan_of):
    """By default a channel with fewer than 5 subs is; its nights alone are read and waited for."""
    plan = plan_of(exclude=["*/g-0[234].fits", f"{NIGHTS[0]}/b-*.fits"])
    assert [len(plan.lights(channel)) for channel in CHANNELS] == [2, 4, 8]
    assert plan.cleaned_channels == ("g", "b")
    assert plan.rays_of(plan.lights("ha")) == []
    assert plan.rays_of(plan.lights("b")) == ["results/tiny/cosmic_rays/b/2026-03-24.fits"]
    assert plan.rays_of(plan.lights("g")) == [
        f"results/tiny/cosmic_rays/g/{night}.fits" for night in NIGHTS
    ]
    assert plan.rays_of(plan.lights("g")[:1]) == ["results/tiny/cosmic_rays/g/2026-03-23.fits"]
    settings = [json.loads(integrate_job(plan, channel))["settings"] for channel in CHANNELS]
    assert [s["integration"]["single_frame_cosmic_rays"] for s in settings] == [
        "always", "always", "never",
    ]  # fmt: skip


@pytest.mark.parametrize(("choice", "channels"), [("always", CHANNELS), ("never", ())])
def test_searching_single_subs_can_be_chosen(plan_of, choice, channels):
    """`always` and `never` do not ask how many subs there are."""
    overrides = {"integration": {"single_frame_cosmic_rays": choice}}
    plan = plan_of(exclude=["*/g-0[234].fits"], overrides=overrides)
    assert plan.cleaned_channels == channels


def test_every_setting_of_the_integration_is_used(plan_of):
    """The jobs of register and integrate hold together the whole integration group."""
    plan = plan_of()
    held = set(json.loads(integrate_job(plan, "g"))["settings"]["integration"])
    held |= set(json.loads(register_job(plan, "g", NIGHTS[0]))["settings"]["integration"])
    assert set(Integration.model_fields) - {"by_night"} <= held


def test_one_channel_of_masters_changes_with_its_choice(plan_of):
    """`flat: none` for a channel changes the jobs of that channel alone."""
    channels = {name: {"filters": [name]} for name in CHANNELS}
    channels["g"]["flat"] = "none"
    before, after = plan_of(), plan_of(channels=channels)
    for channel in ("ha", "b"):
        for night in NIGHTS:
            assert measure_stars_job(before, channel, night) == measure_stars_job(
                after, channel, night
            )
        assert assess_job(before, channel) == assess_job(after, channel)
    assert measure_stars_job(before, "g", NIGHTS[0]) != measure_stars_job(after, "g", NIGHTS[0])
    assert len(after.masters) == len(before.masters) - 2


def test_flats_that_serve_no_light_are_no_business_of_a_channel(plan_of):
    """Subs of a night that come or go leave other channels as they were, flats and all."""
    whole, without = plan_of(), plan_of(exclude=["2026-03-24/ha-*.fits"])
    assert len(without.lights("ha")) < len(whole.lights("ha"))
    idle = [note for note in without.matched.notes if note.kind == NoteKind.SERVES_NO_LIGHT]
    assert any(note.facts["master"].startswith("flat_ha") for note in idle)
    assert integrate_job(without, "b") == integrate_job(whole, "b")


def test_notes_on_a_channel_go_to_that_channel(plan_of):
    """A step skipped for one channel is noted in its job alone; one skipped for all, in all."""
    channels = {name: {"filters": [name]} for name in CHANNELS}
    channels["g"]["dark"] = "none"
    plan = plan_of(channels=channels, exclude=["*flat-*"])
    notes = {channel: json.loads(integrate_job(plan, channel))["notes"] for channel in CHANNELS}
    facts = {"kinds": ["dark"], "file": "tiny.yaml"}
    unwanted = {"channel": "g", "kind": "kinds that the project does not want", "facts": facts}
    assert [unwanted in notes[channel] for channel in CHANNELS] == [True, False, False]
    no_flats = {"channel": None, "kind": "no frames of a kind", "facts": {"frames": "flat"}}
    assert all(notes[channel][0] == no_flats for channel in CHANNELS)
    given = IntegrateJob.of(json.loads(integrate_job(plan, "g")))
    assert given.sentences[0] == "There are no flats: vignetting and the shadows of dust stay."
    assert "Channel 'g' has dark: none in tiny.yaml." in given.sentences


def test_a_sentence_worded_anew_makes_nothing_again(plan_of, monkeypatch):
    """Jobs contain the facts of a note and not its sentence; other facts change the job."""
    before = integrate_job(plan_of(exclude=["*flat-*"]), "g")
    reworded = dict.fromkeys(NoteKind, lambda channel, facts: "reworded")
    monkeypatch.setattr(note_sentences, "_SENTENCES", reworded)
    assert IntegrateJob.of(json.loads(before)).sentences == ["reworded"]
    assert integrate_job(plan_of(exclude=["*flat-*"]), "g") == before
    assert integrate_job(plan_of(exclude=["*flat-*", "*dark-*"]), "g") != before


def test_equipment_goes_before_the_headers(plan_of):
    """What the equipment file says of the camera is part of the jobs that calibrate."""
    job = json.loads(measure_stars_job(plan_of(equipment="demo-bench"), "g", NIGHTS[0]))
    assert set(job["camera"]) == {"gain_e_per_adu", "read_noise_e", "saturation_adu"}
    assert json.loads(measure_stars_job(plan_of(), "g", NIGHTS[0]))["camera"] == dict.fromkeys(
        job["camera"]
    )


def test_calibrated_frames_keep_their_unit(plan_of):
    """Frames that are calibrated already take no masters, no gain, and the unit of their header."""
    plan = plan_of(calibrated=True)
    job = json.loads(integrate_job(plan, "g"))
    assert plan.masters == {}
    assert (job["unit"], job["calibrated"]) == ("adu", True)
    assert {sub["egain"] for sub in job["subs"]} == {None}
    assert {sub["dark"] for sub in job["subs"]} == {None}
    frames = tuple(replace(frame, unit="nJy") for frame in plan.frames)
    assert json.loads(integrate_job(replace(plan, frames=frames), "g"))["unit"] == "nJy"


def test_luminance_channel_is_preferred_for_the_grid(plan_of):
    """The grid is sought first in the channel that makes the luminance."""
    assert json.loads(grid_job(plan_of()))["channels"] == ["g", "b", "ha"]


def test_unused_frames_are_listed_with_their_reasons(plan_of):
    """The table of subs gets each file that is not used, and why."""
    job = json.loads(subs_job(plan_of(exclude=["2026-03-23/g-0[12].fits"])))
    assert [(frame["name"], frame["why"], frame["facts"]) for frame in job["unused"]] == [
        ("2026-03-23/g-01.fits", "excluded", {"file": "tiny.yaml"}),
        ("2026-03-23/g-02.fits", "excluded", {"file": "tiny.yaml"}),
    ]
