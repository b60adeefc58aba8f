import json

import pytest

from platefiles.audit.changed_settings import changed_settings
from platefiles.calibration.matching import match_calibration
from platefiles.config.load import load_project
from platefiles.frames.frame import Frame
from platefiles.plan.project_plan import ProjectPlan
from platefiles.raw_folders.frame_list import build_frame_list
from platefiles.raw_folders.scan import scan_folders
from platefiles.workflow.graph import products_of

SKIPPED = ("map_channels", "encode_picture_tiff", "contact_sheet")


@pytest.fixture(scope="module")
def make_jobs(write_project, tiny_raw, tmp_path_factory):
    """Return a way to all jobs of the tiny set, ``(step, job)``, with overrides of the recipe."""

    def make(**overrides):
        folder = tmp_path_factory.mktemp("jobs")
        project = write_project(folder / "projects" / "tiny.yaml", tiny_raw, overrides=overrides)
        loaded = load_project(project, "")
        frames: list[Frame] = build_frame_list(
            scan_folders(loaded.raw_folders, None, False), loaded
        )
        matched = match_calibration(frames, loaded)
        plan = ProjectPlan(loaded, tuple(frames), matched, "results/tiny")
        return [(p.rule, json.loads(p.job)) for p in products_of(plan).values()]

    return make


def _told(jobs):
    return {(step, str(setting)) for step, job in jobs for setting in changed_settings(step, job)}


def test_a_project_of_defaults_names_only_what_has_no_default(make_jobs):
    """The mapping is a choice; nothing else of any job is told."""
    jobs = make_jobs()
    assert {step for step, _ in jobs} >= {"master_flat", "measure_stars", "register", "integrate"}
    mapping = {"red.ha 1", "green.g 1", "blue.b 1", "luminance.g 1"}
    assert _told(jobs) == {
        *(("map_channels", f"mapping.{row}") for row in mapping),
    }


def test_changed_settings_are_told_with_their_default_in_each_step_that_uses_them(make_jobs):
    """A changed group of the recipe is told where it acts, and in no other step."""
    told = _told(
        make_jobs(
            quality={"min_stars": 5, "max_ellipticity": 0.5},
            integration={"clip": "sigma", "weights": "equal", "single_frame_cosmic_rays": "always"},
            calibration={"hot_pixel_sigma": 9.5},
        )
    )
    told = {(step, words) for step, words in told if step not in SKIPPED}
    assert told == {
        ("master_dark", "calibration.hot_pixel_sigma 9.5 (default 8)"),
        ("integrate", "integration.weights equal (default noise)"),
        ("choose_reference", "quality.max_ellipticity 0.5 (default 0.45)"),
        ("assess_subs", "quality.min_stars 5 (default 8)"),
        ("assess_subs", "quality.max_ellipticity 0.5 (default 0.45)"),
        ("assess_subs", "integration.weights equal (default noise)"),
        ("integrate", "integration.clip sigma (default noise)"),
        ("integrate", "integration.single_frame_cosmic_rays always (default never)"),
    }


def test_settings_of_an_older_version_are_told_as_they_stand():
    """Where a record has settings in no group, each is named as it is, without a default."""
    job = {"settings": {"clip_sigma": 5.0, "title": "Tiny"}}
    told = [str(setting) for setting in changed_settings("master_bias", job)]
    assert told == ["clip_sigma 5", "title Tiny"]
