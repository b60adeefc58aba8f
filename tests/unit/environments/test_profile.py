"""Snakemake must understand each line of the profile as it is meant."""

from pathlib import Path

import pytest
import yaml
from snakemake.cli import parse_args

ROOT = Path(__file__).resolve().parents[3]
PROFILE = ROOT / "config" / "profile"


@pytest.fixture(scope="module")
def options():
    """Parse a command line that names only the profile."""
    words = ["--snakefile", str(ROOT / "Snakefile"), "--workflow-profile", str(PROFILE)]
    return parse_args(words)[1]


def test_every_key_is_an_option(options):
    """No key of the profile is misspelt."""
    keys = yaml.safe_load((PROFILE / "config.yaml").read_text(encoding="utf-8"))
    assert [key for key in keys if not hasattr(options, key.replace("-", "_"))] == []


def test_a_crash_leaves_no_lock_behind(options):
    """Snakemake's own lock, which a killed run leaves behind, is not used."""
    assert options.nolock


def test_scheduling_does_not_slow_down_with_many_jobs(options):
    """The greedy scheduler looks at a sample of the waiting jobs."""
    assert (options.scheduler, options.scheduler_subsample) == ("greedy", 20)


def test_a_bad_night_does_not_stop_the_others(options):
    """Independent jobs go on after a failure, and what a killed run left whole is taken."""
    assert options.keep_going
    assert options.ignore_incomplete


def test_notes_of_earlier_runs_trigger_nothing(options):
    """Neither the times of code nor Snakemake's notes make a job run: the plan's jobs do."""
    assert {str(trigger) for trigger in options.rerun_triggers} == {"mtime"}
