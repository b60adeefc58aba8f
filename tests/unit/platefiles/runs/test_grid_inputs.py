import json
import re

import pytest
from snakemake.io import is_flagged
from snakemake.iocontainers import Wildcards

from platefiles.plan.grid_jobs import solution_job
from platefiles.plan.picture_jobs import draw_picture_job
from platefiles.rule_inputs import sets

MEASURES = "results/{project}/measures/{channel}/{night}.fits"
REGISTRATION = "results/{project}/registration/{channel}/{night}.fits"
SOLUTION = "results/{project}/field/solution.fits"


def test_the_grid_is_placed_by_its_own_sub(opened, wild, pin):
    """Placing reads the frame, the measures and the lock file of the grid, and no other sub."""
    pin(opened())
    plans = opened()
    wildcards = wild()
    assert plans.grid_frame(wildcards) == ["results/tiny/links/g_01_3529c2ae.fits"]
    assert plans.grid_measures(of=SOLUTION)(wildcards) == [
        "results/tiny/measures/g/2026-03-23.fits"
    ]
    assert plans.user_file(sets.star_catalogue)(wildcards) == []
    job = json.loads(plans.job(solution_job)(wildcards))
    assert job["sub"]["name"] == "2026-03-23/g-01.fits"
    assert job["catalogue"].startswith("Tycho-2 ")
    more = opened(exclude=["2026-03-23/g-03.fits"])
    assert more.job(solution_job)(wildcards) == plans.job(solution_job)(wildcards)
    other = opened(sky={"scale_arcsec": 2.0})
    assert other.job(solution_job)(wildcards) != plans.job(solution_job)(wildcards)


def test_grid_is_chosen_once(opened, tmp_path, wild, pin):
    """Without a lock the grid is to be chosen; with one it is not."""
    plans = opened()
    assert plans.unpinned == ["tiny"]
    assert plans.lock(wild(channel="g")) == f"{tmp_path}/projects/tiny.lock.yaml"
    assert re.fullmatch(plans.unpinned_locks, f"{tmp_path}/projects/tiny")
    lock = Wildcards(fromdict={"lock": f"{tmp_path}/projects/tiny"})
    assert len(plans.for_nights(MEASURES, of="{lock}.lock.yaml")(lock)) == 6
    pin(plans)
    assert opened().unpinned == []


def test_a_missing_crop_is_chosen_without_the_grid(opened, tmp_path, wild, pin):
    """A lock file without crop is written again for pictures; registration does not wait for it."""
    path = str(pin(opened(), cropped=False))
    plans = opened()
    assert plans.unpinned == ["tiny"]
    assert plans.crop(wild(picture="ha-in-red")) == path
    assert plans.newer_for(path)
    assert is_flagged(plans.lock(wild(channel="g")), "ancient")
    pin(plans)
    again = opened()
    assert again.unpinned == []
    assert is_flagged(again.crop(wild(picture="ha-in-red")), "ancient")


def test_a_picture_that_is_not_cropped_needs_no_crop(opened, wild, pin):
    """With `crop: none` the lock file is an input of no age, whether it has a crop or not."""
    pin(opened(), cropped=False)
    plans = opened(overrides={"geometry": {"crop": "none"}})
    assert is_flagged(plans.crop(wild(picture="ha-in-red")), "ancient")
    assert plans.by_name["tiny"].pinned.crop is None
    assert json.loads(draw_picture_job(plans.by_name["tiny"], "ha-in-red"))["part"] is None


def test_lock_inside_the_working_directory_is_relative(opened, tmp_path, monkeypatch, wild):
    """So a project that moves with its results is not made anew."""
    opened()
    monkeypatch.chdir(tmp_path)
    assert opened().lock(wild(channel="g")) == "projects/tiny.lock.yaml"


def test_registration_asks_for_the_night_of_the_reference(opened, tmp_path, wild, pin):
    """Registering reads the reference's night, and waits for the choice where there is none."""
    plans = opened()
    asked = []

    class Choice:
        @staticmethod
        def get(lock):
            asked.append(lock)
            raise LookupError(lock)

    plans.wait_for(Choice)
    with pytest.raises(LookupError):
        plans.reference_measures(of=REGISTRATION)(wild(channel="ha", night="2026-03-24"))
    assert asked == [f"{tmp_path}/projects/tiny"]
    pin(plans)
    wildcards = wild(channel="ha", night="2026-03-24")
    assert opened().reference_measures(of=REGISTRATION)(wildcards) == [
        "results/tiny/measures/g/2026-03-23.fits",
        "results/tiny/measures/ha/2026-03-23.fits",
    ]


def test_new_channel_has_no_reference_yet(opened, pin):
    """A channel that came later is unpinned, though the grid is pinned."""
    pin(opened(), channels=("g", "b"))
    assert opened().unpinned == ["tiny"]
