"""Which jobs change with a setting, a frame or a master, and what follows from them."""

from dataclasses import replace

import pytest
from unit.platefiles.plan.every_job import NIGHTS, changed_jobs, jobs_of, rules_of, to_do_again

READ_SUBS = {"integrate", "register_sub", "draw_blink"}
"""Rules that resample subs, and search what one of them covers alone for cosmic rays."""


@pytest.mark.parametrize(
    ("group", "settings", "rules"),
    [
        ("integration", {"clip": "sigma"}, {"integrate"}),
        ("integration", {"clip_low": 3.5, "grow_px": 1, "min_subs": 2}, {"integrate"}),
        ("integration", {"single_frame_cosmic_rays": "always"}, READ_SUBS),
        ("integration", {"single_frame_cosmic_rays": "never"}, READ_SUBS),
        ("integration", {"weights": "equal"}, {"assess_subs", "integrate"}),
        ("integration", {"background_match": "constant"}, {"register"}),
        ("registration", {"max_degree": 1}, {"register", "choose_reference"}),
        ("quality", {"min_transparency": 0.1}, {"assess_subs"}),
        ("quality", {"max_ellipticity": 0.3}, {"assess_subs", "choose_reference"}),
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
    changed = changed_jobs(jobs_of(plan_of()), jobs_of(plan_of(overrides={group: settings})))
    assert rules_of(changed) == rules


FOLLOWING = {
    "master_bias": {"master_dark", "master_flat", "measure_stars", "calibrate_sub"},
    "master_dark": {"measure_stars", "calibrate_sub"},
    "master_flat": {"measure_stars", "calibrate_sub"},
    "measure_stars": {"register", "find_cosmic_rays"},
    "register": {"assess_subs"},
    "assess_subs": {"integrate", "register_sub", "draw_blink"},
    "solve_astrometry": {*READ_SUBS, "find_zero_points", "map_channels"},
    "integrate": {"map_channels", "list_subs", "subtract_gradient", "find_zero_points"},
    "subtract_gradient": {"map_channels", "list_seeing"},
    "find_zero_points": {"measure_depth"},
    "measure_depth": {"identify_sources"},
    "identify_sources": {"list_sources", "annotate"},
    "map_channels": {"draw_picture"},
    "draw_picture": {"encode_picture"},
    "encode_picture": {"annotate"},
    "draw_blink": {"encode_blink"},
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
    """Jobs downstream of a changed job change too, through all intermediate jobs."""
    before, after = jobs_of(plan_of()), jobs_of(plan_of(overrides={group: settings}))
    changed = rules_of(changed_jobs(before, after))
    assert rules_of(to_do_again(before, after)) == _with_what_follows(changed)


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
    before, after = jobs_of(plan_of()), jobs_of(plan_of(sky={key: value}))
    assert rules_of(changed_jobs(before, after)) == {"solve_astrometry"}
    assert rules_of(to_do_again(before, after)) == _with_what_follows({"solve_astrometry"})


def test_what_reads_cosmic_rays_is_to_do_again_with_them(plan_of):
    """With the search switched on, all that reads its files changes: subs and channels."""
    overrides = {"integration": {"single_frame_cosmic_rays": "always"}}
    before, after = jobs_of(plan_of()), jobs_of(plan_of(overrides=overrides))
    again = {*READ_SUBS, "calibrate_sub", "encode_blink"}
    again |= {"map_channels", "draw_picture", "encode_picture", "list_subs"}
    again |= {"subtract_gradient", "list_seeing"}
    again |= {"find_zero_points", "measure_depth", "identify_sources", "list_sources", "annotate"}
    assert rules_of(to_do_again(before, after)) == again


def test_order_of_the_channels_does_not_count(plan_of):
    """Channels that the project file lists in another order give the same jobs and targets."""
    channels = {"g": ["G"], "ha": ["Ha"], "b": ["B"]}
    plans = [
        plan_of(channels={name: {"filters": channels[name]} for name in order})
        for order in (("g", "ha", "b"), ("b", "ha", "g"))
    ]
    assert to_do_again(*map(jobs_of, plans)) == set()
    assert plans[0].channels == plans[1].channels


def test_order_of_the_files_does_not_count(plan_of):
    """Frames that are found in another order give the same jobs."""
    plan = plan_of()
    turned = replace(plan, frames=tuple(reversed(plan.frames)))
    assert to_do_again(jobs_of(plan), jobs_of(turned)) == set()


def test_place_of_the_files_does_not_count(plan_of, tiny_raw, tmp_path):
    """The same frames in another folder give the same jobs."""
    moved = tmp_path / "another disk" / "raw"
    for path in tiny_raw.rglob("*.fits"):
        place = moved / path.relative_to(tiny_raw)
        place.parent.mkdir(parents=True, exist_ok=True)
        place.hardlink_to(path)
    assert to_do_again(jobs_of(plan_of()), jobs_of(plan_of(raw=moved))) == set()


def test_changed_frame_changes_its_own_night(plan_of):
    """A light with another content changes its night, its channel and nothing else."""
    plan = plan_of()
    (frame, *_) = plan.lights("g", NIGHTS[1])
    frames = [replace(f, fingerprint="0" * 16) if f is frame else f for f in plan.frames]
    changed = changed_jobs(jobs_of(plan), jobs_of(replace(plan, frames=tuple(frames))))
    assert changed == {
        ("measure_stars", "g", NIGHTS[1]),
        ("find_cosmic_rays", "g", NIGHTS[1]),
        ("integrate", "g"),
        ("draw_blink", "g"),
        ("calibrate_sub", frame.id),
        ("register_sub", frame.id),
    }


def test_a_title_is_written_into_files_and_changes_no_pixel(plan_of):
    """Another title encodes the files again; nothing is mapped or drawn again."""
    before, after = jobs_of(plan_of()), jobs_of(plan_of(title="Another title"))
    assert rules_of(to_do_again(before, after)) == {
        "encode_picture",
        "annotate",
        "encode_blink",
    }
