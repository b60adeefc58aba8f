import json
import re
from dataclasses import replace
from pathlib import Path

import pytest

from platefiles.core.errors import UserError
from platefiles.plan.calibration_jobs import measure_stars_job
from platefiles.rule_inputs import sets
from platefiles.rule_inputs.declared import Newer
from platefiles.runs.job_plan import plans_of_targets, read_job_plan
from platefiles.runs.plans_of_jobs import PlansOfJobs
from platefiles.workflow.makers import maker_of

NIGHT = "2026-03-23"
MEASURES = "results/{project}/measures/{channel}/{night}.fits"


def _target(rule, wildcards):
    """Return the words by which Snakemake names a job."""
    pairs = ",".join(f"{name}={value}" for name, value in wildcards.items())
    return ("--snakefile", "x", "--target-jobs", f"{rule}:{pairs}", "--allowed-rules", rule)


@pytest.fixture
def alone(monkeypatch):
    """Let nobody look through folders or read the list of frames."""

    def refuse(*words):
        pytest.fail("a job on another machine opened the whole plan")

    def forbid():
        monkeypatch.setattr("platefiles.runs.open_plans.open_projects", refuse)

    return forbid


def test_a_job_on_another_machine_needs_its_own_plan_alone(opened, pin, wild, alone):
    """For every job of a run, its file has what the whole plan says of inputs, job and memory."""
    pin(opened())
    plans = opened()
    plan = plans.by_name["tiny"]
    alone()
    counted = 0
    for path in plans._products.to_make:
        maker, wildcards = maker_of(plan, path)
        rule = maker.rule
        there = opened(*_target(rule.name, dict(wildcards.items())), main_process=False)
        assert isinstance(there, PlansOfJobs)
        for one in maker.declared:
            asked = wild(**dict(wildcards.items()))
            found = replace(one, run=there)(asked)
            assert found == ([] if isinstance(one, Newer) else replace(one, run=plans)(asked))
            counted += bool(found)
        if rule.memory_method == "integrate":
            for threads in range(1, rule.threads + 1):
                here = plans.memory.integrate(wildcards, threads)
                assert there.memory.integrate(wildcards, threads) == here
        elif rule.memory_method:
            here = getattr(plans.memory, rule.memory_method)(wildcards)
            assert getattr(there.memory, rule.memory_method)(wildcards, 99) == here
    assert counted > 100


def test_the_plan_of_a_job_has_its_own_subs_alone(opened):
    """What one night has does not stand in the plan of another."""
    opened()
    folder = Path("results/tiny/.plans/measure_stars")
    assert len(list(folder.iterdir())) == 6
    text = (folder / f"g,{NIGHT}.json").read_text()
    job = json.loads(json.loads(text)["answers"]["job measure_stars_job"])
    assert {sub["night"] for sub in job["subs"]} == {NIGHT}
    assert "2026-03-24" not in text


def test_jobs_that_wait_for_the_grid_are_planned_when_it_is_chosen(opened, pin, wild):
    """Before the choice they have no file, and afterwards one with the pins."""
    plans = opened()
    folder = Path("results/tiny/.plans")
    assert not (folder / "integrate").exists()
    pin(plans)
    plans.grid_frame(wild())
    assert {path.name for path in (folder / "integrate").iterdir()} == {
        f"{channel}.json" for channel in plans.by_name["tiny"].channels
    }
    solved = read_job_plan("solve_astrometry", {"project": "tiny"})
    assert json.loads(solved.answers["job solution_job"])["pins"]["grid"][1:] == [320, 240]


def test_files_of_earlier_runs_are_removed(opened):
    """The folder has the jobs of the last run alone; a dry run changes nothing."""
    opened()
    other = Path("results/tiny/.plans/measure_stars/g,2020-01-01.json")
    other.write_text("{}")
    opened("--dry-run")
    assert other.exists()
    opened()
    assert not other.exists()


def test_jobs_without_a_plan_open_the_project(opened, wild):
    """A job that is made on request alone, and a damaged file, lead to the list of frames."""
    wildcards = {"project": "tiny", "channel": "g", "night": NIGHT}
    opened()
    target = _target("measure_stars", wildcards)
    assert len(plans_of_targets(target)) == 1
    assert plans_of_targets(_target("find_cosmic_rays", wildcards)) == []
    assert plans_of_targets(["--cores", "2"]) == []
    other = f"measure_stars:project=tiny,channel=g,night={NIGHT[:-1]}4"
    both = [*target[:4], other, *target[4:]]
    assert [one.wildcards["night"][-1] for one in plans_of_targets(both)] == ["3", "4"]
    path = Path(read_job_plan("measure_stars", wildcards).path)
    path.write_text(path.read_text()[:100])
    assert plans_of_targets(target) == []
    there = opened(*target, main_process=False)
    assert len(there.links(sets.frames_of_night)(wild(channel="g", night=NIGHT))) == 4


def test_the_plan_of_a_job_of_other_rules_is_a_sentence(opened, wild):
    """Rules that were changed during a run are named, with the remedy."""
    wildcards = {"project": "tiny", "channel": "g", "night": NIGHT}
    opened()
    there = opened(*_target("measure_stars", wildcards), main_process=False)
    assert there.job(measure_stars_job, "channel", "night")(wild(channel="g", night=NIGHT))
    assert re.fullmatch(there.nights, NIGHT) and not re.fullmatch(there.nights, "2026-03-24")
    with pytest.raises(UserError, match=r"g,2026-03-23\.json: is of another version .* again"):
        there.input("results/{project}/other.fits", of=MEASURES)(wild(channel="g", night=NIGHT))
