import json
from dataclasses import replace
from importlib import import_module

import pytest

from platefiles.calibration import note_sentences
from platefiles.calibration.note import NoteKind
from platefiles.config.recipe import Recipe
from platefiles.core.errors import UserError
from platefiles.integration.integrate_job import IntegrateJob
from platefiles.plan.calibration_jobs import (
    calibrate_job,
    cosmic_rays_job,
    master_job,
    measure_stars_job,
)
from platefiles.plan.channel_jobs import integrate_job, register_job, register_sub_job, subs_job
from platefiles.plan.field_jobs import (
    annotation_job,
    depth_job,
    lists_job,
    sources_job,
    zero_points_job,
)
from platefiles.plan.grid_jobs import grid_job, solution_job
from platefiles.plan.mapped_jobs import seeing_job, sky_job
from platefiles.plan.picture_channels import (
    all_picture_files,
    channels_of,
    mapped_channels,
)
from platefiles.plan.picture_jobs import draw_picture_job, linear_image_job
from platefiles.provenance.code_digests import code_digest
from platefiles.settings.integration import Integration

CHANNELS = ("g", "b", "ha")


NIGHTS = ["2026-03-23", "2026-03-24"]


def _jobs(plan):
    """Every job of a plan by rule and what it works on."""
    jobs = {("master", name): master_job(plan, name) for name in plan.masters}
    jobs["choose_reference", ""] = grid_job(plan)
    jobs["list_seeing", ""] = seeing_job(plan)
    for channel in plan.channels:
        jobs["subtract_gradient", channel] = sky_job(plan, channel)
        jobs["register", channel] = register_job(plan, channel)
        jobs["integrate", channel] = integrate_job(plan, channel)
        for night in plan.nights(channel):
            jobs["measure_stars", channel, night] = measure_stars_job(plan, channel, night)
            jobs["find_cosmic_rays", channel, night] = cosmic_rays_job(plan, channel, night)
        for frame in plan.lights(channel):
            jobs["calibrate_sub", frame.id] = calibrate_job(plan, frame.id)
            jobs["register_sub", frame.id] = register_sub_job(plan, channel, frame.id)
    jobs["map_channels", ""] = linear_image_job(plan, "ha-in-red")
    jobs["draw_picture", ""] = draw_picture_job(plan, "ha-in-red")
    jobs["list_subs", ""] = subs_job(plan)
    jobs["solve_astrometry", ""] = solution_job(plan)
    jobs["find_zero_points", ""] = zero_points_job(plan)
    jobs["measure_depth", ""] = depth_job(plan)
    jobs["identify_sources", ""] = sources_job(plan)
    jobs["list_sources", ""] = lists_job(plan)
    jobs["annotate", ""] = annotation_job(plan)
    return jobs


def _own(job):
    """What a job has beside the digest of the jobs below it."""
    return {key: value for key, value in json.loads(job).items() if key != "below"}


def _changed(before, after):
    """Jobs that differ in what is their own."""
    assert before.keys() == after.keys()
    return {key for key in before if _own(before[key]) != _own(after[key])}


def _to_do_again(before, after):
    """Jobs that differ at all."""
    return {key for key in before if before[key] != after[key]}


def _rules(keys):
    return {f"master_{key[1].split('_')[0]}" if key[0] == "master" else key[0] for key in keys}


def test_plan_of_the_tiny_set(plan_of):
    """Channels, nights, masters and paths are those that the set has."""
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
    for key, text in _jobs(plan_of()).items():
        job = json.loads(text)
        assert text == json.dumps(job, sort_keys=True, separators=(",", ":"))
        (rule,) = _rules([key])
        assert job["project"] == (None if rule.startswith("master") else "tiny")
        assert job["code"] == code_digest(f"{rule}.py")


def test_a_step_takes_the_job_of_its_rule(plan_of):
    """Each job passes the check of its step, with its settings by group; one key less does not."""
    for key, text in _jobs(plan_of()).items():
        (rule,) = _rules([key])
        kind = IntegrateJob if rule == "integrate" else getattr(import_module(rule), "Job", None)
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
    """No job holds a path of this machine, so a moved folder makes nothing anew."""
    for text in _jobs(plan_of()).values():
        assert str(tmp_path) not in text
        assert str(tiny_raw) not in text


@pytest.mark.parametrize(
    ("group", "settings", "rules"),
    [
        ("integration", {"clip": "sigma"}, {"integrate"}),
        ("integration", {"clip_low": 3.5, "grow_px": 1, "min_subs": 2}, {"integrate"}),
        ("integration", {"single_frame_cosmic_rays": "always"}, {"integrate", "register_sub"}),
        ("integration", {"single_frame_cosmic_rays": "never"}, {"integrate", "register_sub"}),
        ("integration", {"weights": "equal"}, {"register", "integrate"}),
        ("integration", {"background_match": "constant"}, {"register"}),
        ("registration", {"max_degree": 1}, {"register"}),
        ("quality", {"min_transparency": 0.1}, {"register"}),
        ("quality", {"max_ellipticity": 0.3}, {"register", "choose_reference"}),
        ("measure", {"detection_sigma": 7.0}, {"measure_stars", "subtract_gradient"}),
        ("measure", {"background_cell_px": 48}, {"measure_stars"}),
        ("calibration", {"clip_sigma": 5.0}, {"master_bias", "master_dark", "master_flat"}),
        ("calibration", {"hot_pixel_sigma": 9.0}, {"master_dark"}),
        ("calibration", {"dead_pixel_response": 0.4}, {"master_flat"}),
        ("gradient", {"degree": 3}, {"subtract_gradient"}),
        ("colour", {"grey_sky": False}, {"map_channels"}),
        ("stretch", {"sky_level": 0.2}, {"draw_picture"}),
        ("depth", {"surface_brightness": 24.0}, {"measure_depth"}),
        ("annotation", {"stars_to_mag": 9.0}, {"annotate"}),
    ],
)
def test_a_setting_changes_the_jobs_that_use_it(plan_of, group, settings, rules):
    """A changed setting is seen by the rules that use it and by no other."""
    changed = _changed(_jobs(plan_of()), _jobs(plan_of(overrides={group: settings})))
    assert _rules(changed) == rules


FOLLOWING = {
    "master_bias": {"master_dark", "master_flat", "measure_stars", "calibrate_sub"},
    "master_dark": {"measure_stars", "calibrate_sub"},
    "master_flat": {"measure_stars", "calibrate_sub"},
    "measure_stars": {"register", "find_cosmic_rays"},
    "register": {"integrate", "register_sub"},
    "solve_astrometry": {"integrate", "register_sub", "find_zero_points", "map_channels"},
    "integrate": {"map_channels", "list_subs", "subtract_gradient", "find_zero_points"},
    "subtract_gradient": {"map_channels", "list_seeing"},
    "find_zero_points": {"measure_depth"},
    "measure_depth": {"identify_sources"},
    "identify_sources": {"list_sources", "annotate"},
    "map_channels": {"draw_picture"},
    "draw_picture": {"annotate"},
}


@pytest.mark.parametrize(
    ("group", "settings"),
    [
        ("calibration", {"hot_pixel_sigma": 9.0}),
        ("measure", {"detection_sigma": 7.0}),
        ("registration", {"max_degree": 1}),
        ("integration", {"clip": "sigma"}),
        ("stretch", {"sky_level": 0.2}),
    ],
)
def test_what_follows_from_a_changed_job_is_to_do_again(plan_of, group, settings):
    """Jobs that read what a changed job writes change too, through all that lies between."""
    before, after = _jobs(plan_of()), _jobs(plan_of(overrides={group: settings}))
    changed = _rules(_changed(before, after))
    assert _rules(_to_do_again(before, after)) == _with_what_follows(changed)


def _with_what_follows(rules):
    expected = waiting = rules
    while waiting:
        waiting = {rule for other in waiting for rule in FOLLOWING.get(other, set())} - expected
        expected = expected | waiting
    return expected


@pytest.mark.parametrize("key", ["scale_arcsec", "catalogue"])
def test_what_lies_on_the_grid_is_to_do_again_with_its_place(plan_of, tiny_catalogue, key):
    """What is known of the place changes one job, and with it those whose products carry it."""
    value = str(tiny_catalogue) if key == "catalogue" else 2.3
    before, after = _jobs(plan_of()), _jobs(plan_of(sky={key: value}))
    assert _rules(_changed(before, after)) == {"solve_astrometry"}
    assert _rules(_to_do_again(before, after)) == _with_what_follows({"solve_astrometry"})


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


def test_what_reads_cosmic_rays_is_to_do_again_with_them(plan_of):
    """With the search switched on, all that reads its files changes: subs and channels."""
    overrides = {"integration": {"single_frame_cosmic_rays": "always"}}
    before, after = _jobs(plan_of()), _jobs(plan_of(overrides=overrides))
    again = {"integrate", "calibrate_sub", "register_sub"}
    again |= {"map_channels", "draw_picture", "list_subs", "subtract_gradient", "list_seeing"}
    again |= {"find_zero_points", "measure_depth", "identify_sources", "list_sources", "annotate"}
    assert _rules(_to_do_again(before, after)) == again


def test_every_setting_of_the_integration_is_used(plan_of):
    """The jobs of register and integrate hold together the whole integration group."""
    plan = plan_of()
    held = set(json.loads(integrate_job(plan, "g"))["settings"]["integration"])
    held |= set(json.loads(register_job(plan, "g"))["settings"]["integration"])
    assert set(Integration.model_fields) <= held


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
        assert register_job(before, channel) == register_job(after, channel)
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
    """What is not done for one channel stands in its job alone; what is done for none in all."""
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
    """Jobs hold what a note tells and not its sentence; other facts change the job."""
    before = integrate_job(plan_of(exclude=["*flat-*"]), "g")
    reworded = dict.fromkeys(NoteKind, lambda channel, facts: "worded anew")
    monkeypatch.setattr(note_sentences, "_SENTENCES", reworded)
    assert IntegrateJob.of(json.loads(before)).sentences == ["worded anew"]
    assert integrate_job(plan_of(exclude=["*flat-*"]), "g") == before
    assert integrate_job(plan_of(exclude=["*flat-*", "*dark-*"]), "g") != before


def test_order_of_the_channels_does_not_count(plan_of):
    """Channels that the project file lists in another order give the same jobs and targets."""
    channels = {"g": ["G"], "ha": ["Ha"], "b": ["B"]}
    plans = [
        plan_of(channels={name: {"filters": channels[name]} for name in order})
        for order in (("g", "ha", "b"), ("b", "ha", "g"))
    ]
    assert _to_do_again(*map(_jobs, plans)) == set()
    assert plans[0].channels == plans[1].channels


def test_order_of_the_files_does_not_count(plan_of):
    """Frames that are found in another order give the same jobs."""
    plan = plan_of()
    turned = replace(plan, frames=tuple(reversed(plan.frames)))
    assert _to_do_again(_jobs(plan), _jobs(turned)) == set()


def test_place_of_the_files_does_not_count(plan_of, tiny_raw, tmp_path):
    """The same frames in another folder give the same jobs."""
    moved = tmp_path / "another disk" / "raw"
    for path in tiny_raw.rglob("*.fits"):
        place = moved / path.relative_to(tiny_raw)
        place.parent.mkdir(parents=True, exist_ok=True)
        place.hardlink_to(path)
    assert _to_do_again(_jobs(plan_of()), _jobs(plan_of(raw=moved))) == set()


def test_changed_frame_changes_its_own_night(plan_of):
    """A light with another content changes its night, its channel and nothing else."""
    plan = plan_of()
    (frame, *_) = plan.lights("g", NIGHTS[1])
    frames = [replace(f, fingerprint="0" * 16) if f is frame else f for f in plan.frames]
    changed = _changed(_jobs(plan), _jobs(replace(plan, frames=tuple(frames))))
    assert changed == {
        ("measure_stars", "g", NIGHTS[1]),
        ("find_cosmic_rays", "g", NIGHTS[1]),
        ("integrate", "g"),
        ("calibrate_sub", frame.id),
        ("register_sub", frame.id),
    }


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


VIVID = {"stretch": {"saturation": 2.0}, "files": ["png"]}


GREY = {
    "title": "In grey",
    "mapping": {"red": None, "green": None, "blue": None, "luminance": {"g": 1.0}},
}


def test_further_pictures_are_made_of_the_same_channels(plan_of):
    """Each has its files, its title and its settings; the recipe's picture is as it was."""
    plain, plan = plan_of(), plan_of(pictures={"vivid": VIVID, "grey": GREY})
    assert all_picture_files(plan) == [
        *(f"results/tiny/picture/ha-in-red.{ending}" for ending in ("png", "tif", "jpg")),
        "results/tiny/picture/vivid.png",
        *(f"results/tiny/picture/grey.{ending}" for ending in ("png", "tif", "jpg")),
    ]
    assert _jobs(plan) == _jobs(plain)
    assert channels_of(plan, "grey") == ["g"]
    assert mapped_channels(plan) == list(CHANNELS)
    assert json.loads(linear_image_job(plan, "grey"))["title"] == "In grey"
    assert json.loads(draw_picture_job(plan, "vivid"))["settings"]["stretch"]["saturation"] == 2.0
    assert json.loads(draw_picture_job(plan, "vivid"))["title"] == plan.loaded.project.title


def test_a_picture_is_made_again_alone(plan_of):
    """A setting of one picture changes its own jobs and those of no other."""

    def jobs(**pictures):
        plan = plan_of(pictures=pictures)
        return {
            name: (linear_image_job(plan, name), draw_picture_job(plan, name))
            for name in plan.loaded.pictures
        }

    before = jobs(vivid=VIVID, grey=GREY)
    after = jobs(vivid=VIVID | {"stretch": {"saturation": 1.5}}, grey=GREY)
    assert after["vivid"][0] == before["vivid"][0]
    assert after["vivid"][1] != before["vivid"][1]
    assert {name for name in before if before[name] != after[name]} == {"vivid"}
    after = jobs(vivid=VIVID | {"mapping": {"green": {"b": 1.0}}}, grey=GREY)
    assert after["vivid"][0] != before["vivid"][0]
    assert {name for name in before if before[name] != after[name]} == {"vivid"}


def test_a_picture_with_a_line_is_not_broadband(plan_of):
    """H-alpha in a colour makes a picture that stars of known colour do not balance."""
    broad = {"mapping": {"red": {"g": 1.0}, "luminance": {"ha": 1.0}}}
    plan = plan_of(pictures={"broad": broad})
    told = {
        name: json.loads(linear_image_job(plan, name))["broadband"] for name in plan.loaded.pictures
    }
    assert told == {"ha-in-red": False, "broad": True}
