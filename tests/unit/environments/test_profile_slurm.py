"""The profile for Slurm lies on top of the usual one and changes only what it must."""

from pathlib import Path

import pytest
import yaml
from snakemake.cli import parse_args

ROOT = Path(__file__).resolve().parents[3]
PROFILE, ON_TOP = ROOT / "config" / "profile", ROOT / "config" / "profile-slurm"


def _options(*words):
    return parse_args(["--snakefile", str(ROOT / "Snakefile"), *words])[1]


@pytest.fixture(scope="module")
def slurm_options():
    """Options with both profiles, as the README gives them."""
    return _options("--profile", str(PROFILE), "--workflow-profile", str(ON_TOP))


def test_every_key_is_an_option(slurm_options):
    """No key of the profile is misspelt."""
    keys = yaml.safe_load((ON_TOP / "config.yaml").read_text(encoding="utf-8"))
    assert [key for key in keys if not hasattr(slurm_options, key.replace("-", "_"))] == []


def test_jobs_go_to_slurm(slurm_options):
    """They may ask for more processors than this machine has, and wait for a slow network disk."""
    assert slurm_options.executor == "slurm"
    assert (slurm_options.jobs, slurm_options.cores, slurm_options.latency_wait) == (100, 1000, 60)


def test_the_rest_is_that_of_the_usual_profile(slurm_options):
    """What reruns, what is kept going and how jobs are chosen are the same as on one machine."""
    usual, changed = (yaml.safe_load((p / "config.yaml").read_text()) for p in (PROFILE, ON_TOP))
    kept = [key.replace("-", "_") for key in usual if key not in changed]
    assert "rerun_triggers" in kept
    alone = _options("--workflow-profile", str(PROFILE))
    assert {key: getattr(slurm_options, key) for key in kept} == {
        key: getattr(alone, key) for key in kept
    }


def test_every_job_says_what_it_needs():
    """Slurm asks for memory and time; a job that gives none takes those of the profile."""
    text = (ON_TOP / "config.yaml").read_text(encoding="utf-8")
    defaults = yaml.safe_load(text)["default-resources"]
    assert {word.split("=")[0] for word in defaults} == {"mem_mb", "disk_mb", "runtime"}
