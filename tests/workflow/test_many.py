"""Many projects in one run: what they share, what one of them cannot spoil, and what is told."""

import json
import os
import shutil
import sys

import pytest
import yaml
from astropy.io import fits

NIGHT = "2026-03-23"
CHANNEL = {"g": {"filters": ["G"]}}
REPORT = """\
import json, os, sys
facts = json.load(sys.stdin)
facts["arguments"] = sys.argv[2:]
facts["environment"] = os.environ["PLATELOG_STATUS"], os.environ["PLATELOG_SUMMARY"]
with open(sys.argv[1], "w") as stream:
    json.dump(facts, stream)
"""


@pytest.fixture
def many(make_home, tiny_raw, checkout, tmp_path, write_project):
    """A checkout with three projects: two of the same frames, and one whose raw folder is gone."""
    home = make_home(tmp_path / "home")
    home = type(home)(home.folder, checkout)
    for pattern in (f"{NIGHT}/g-*.fits", "calibration/bias-*.fits", "calibration/dark-180s-*.fits"):
        for path in sorted(tiny_raw.glob(pattern)):
            place = home.raw / path.relative_to(tiny_raw)
            place.parent.mkdir(parents=True, exist_ok=True)
            shutil.copyfile(path, place)
    projects = checkout / "config" / "projects"
    for name in ("one", "two"):
        write_project(projects / f"{name}.yaml", home.raw, recipe="plain", channels=CHANNEL)
    same = {"recipe": "plain", "channels": CHANNEL}
    write_project(projects / "lost.yaml", home.folder / "unmounted", **same)
    write_project(projects / "done.yaml", home.raw, **same, only_if_named=True)
    _recipe(checkout, clip_high=4.0)
    return home


def _recipe(checkout, **integration):
    recipe = {"mapping": {"luminance": {"g": 1.0}}, "integration": integration, "files": ["png"]}
    (checkout / "config" / "recipes" / "plain.yaml").write_text(yaml.safe_dump(recipe))


def _run(home, command_line, *words, expected=0):
    command = [sys.executable, "-P", "-m", "platecli", "run", "--directory", str(home.folder)]
    return command_line.said([*command, *words], expected, home.checkout)


def test_one_recipe_for_many_projects(many, command_line):
    """Good projects are made, masters once; the broken one is told; the recipe is theirs in common.

    One test, since each run takes a while: the first run, then a project that shadows a key of the
    recipe, then a change of the recipe, then what Snakemake itself says.
    """
    machine = {"cores": 2, "on_finish": [sys.executable, "tell.py", "told.json"]}
    machine["on_finish"] += ["{summary}", "$(touch x); 'y"]
    (many.folder / "tell.py").write_text(REPORT)
    (many.checkout / "config" / "machine.yaml").write_text(yaml.safe_dump(machine))

    said = _run(many, command_line, "--to", "channels", expected=1)
    assert "lost.yaml:3: raw: no such folder: " in said
    assert "share master x 2" in said
    results = many.folder / "results"
    assert {path.name for path in results.iterdir() if path.is_dir()} == {
        *("one", "two", "logs", "benchmarks")
    }
    masters = sorted(path.name for path in (results / "one" / "calibration").iterdir())
    assert len(masters) == 2
    for name in masters:
        assert os.path.samefile(*(results / p / "calibration" / name for p in ("one", "two")))
    for name in ("one", "two"):
        assert fits.getheader(results / name / "channels" / "g.fits")["NCOMBINE"] == 4
    facts = json.loads((many.folder / "told.json").read_text())
    outcomes = {project["name"]: project["outcome"] for project in facts["projects"]}
    assert outcomes == {"one": "made", "two": "made", "lost": "failed"}
    assert facts["projects"][0]["new_subs"] == {"g": {NIGHT: 4}}
    assert facts["status"] == 1
    assert facts["arguments"] == [facts["summary"], "$(touch x); 'y"]
    assert facts["environment"] == ["1", facts["summary"]]
    assert not (many.folder / "x").exists()
    (line,) = (results / "platelog.log").read_text().splitlines()
    assert line[20:] == facts["summary"]
    assert line[20:].startswith(
        "one made (4 new subs, 7 jobs); two made (4 new subs, 7 jobs); lost"
    )

    (many.folder / "told.json").unlink()
    (many.checkout / "config" / "projects" / "lost.yaml").unlink()
    assert "Nothing new" in _run(many, command_line, "--to", "channels", "--exit-code", expected=3)
    assert not (many.folder / "told.json").exists()

    two = many.checkout / "config" / "projects" / "two.yaml"
    project = yaml.safe_load(two.read_text())
    two.write_text(yaml.safe_dump(project | {"overrides": {"integration": {"clip_high": 4.0}}}))
    assert "Nothing new" in _run(many, command_line, "--to", "channels")
    _recipe(many.checkout, clip_high=3.5, clip_low=4.0)
    said = _run(many, command_line, "--to", "channels", "--dry-run")
    assert "integrate one g" in said
    assert "integrate two g" not in said
    _recipe(many.checkout, clip_high=3.5, clip_low=4.5)
    said = _run(many, command_line, "--to", "channels", "--dry-run")
    assert "integrate one g" in said
    assert "integrate two g" in said

    two.write_text("title: [")
    words = ["--snakefile", str(many.checkout / "Snakefile"), "--directory", str(many.folder)]
    words += ["--workflow-profile", str(many.checkout / "config" / "profile"), "-n"]
    command = [sys.executable, "-P", "-m", "snakemake", *words, "--", "channels"]
    said = command_line.said(command, 0, many.checkout)
    assert "two.yaml:" in said
    assert "rule integrate:" in said


def test_master_of_a_project_that_is_not_run_is_shared(many, command_line):
    """A project that comes later takes the masters that another made before."""
    _run(many, command_line, "one", "--to", "channels")
    said = _run(many, command_line, "two", "--to", "channels", "--dry-run")
    assert "share master x 2, measure, choose grid, register, integrate, tabulate subs" in said
    assert "master bias" not in said


@pytest.mark.parametrize(
    ("words", "wanted"),
    [
        (["nowhere"], "no project is called 'nowhere'"),
        (["one", "--to", "pictures"], "did you mean 'picture'?"),
        (["one", "--cores", "0"], "at least 1 is needed"),
        (["one", "--colour"], "not known here: --colour"),
    ],
)
def test_wrong_command_begins_nothing(many, command_line, words, wanted):
    """An option or a name that is wrong ends with status 2 before anything is made."""
    assert wanted in _run(many, command_line, *words, expected=2)
    assert not (many.folder / "results").exists()


def test_wrong_settings_of_the_machine_begin_nothing(many, command_line):
    """A slip in machine.yaml is told with its line."""
    path = many.checkout / "config" / "machine.yaml"
    path.write_text("cores: 2\nmemory: 3\n")
    assert "config/machine.yaml:2: memory: unknown" in _run(many, command_line, "one", expected=2)
    assert not (many.folder / "results").exists()


def test_program_that_is_told_may_fail(many, command_line):
    """A program that is not there spoils no run; its failure is in the log."""
    machine = {"on_finish": ["no-such-program"]}
    (many.checkout / "config" / "machine.yaml").write_text(yaml.safe_dump(machine))
    target = "results/one/calibration"
    bias = "bias_heronmere_m15_320x240_g120_o50_m10c.fits"
    said = _run(many, command_line, "one", "--to", f"{target}/{bias}")
    assert "on_finish: no-such-program: No such file or directory" in said
    log = (many.folder / "results" / "platelog.log").read_text().splitlines()
    assert [line[20:].split(" [")[0] for line in log] == [
        "one made (4 new subs, 1 job)",
        "on_finish: no-such-program: No such file or directory",
    ]
