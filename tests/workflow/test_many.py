"""Many projects in one run: what they share, what one of them cannot spoil, and what is told."""

import json
import os
import shutil
import sys

import pytest
import yaml
from astropy.io import fits

from platefiles.audit.findings import CHANGED
from platefiles.audit.verification import verify
from platefiles.digests.digest_sheet import read_digest_sheet

NIGHT = "2026-03-23"
REPORT = """\
import json, os, sys
facts = json.load(sys.stdin)
facts["arguments"] = sys.argv[2:]
facts["environment"] = os.environ["PLATELOG_STATUS"], os.environ["PLATELOG_SUMMARY"]
with open(sys.argv[1], "w") as stream:
    json.dump(facts, stream)
"""


@pytest.fixture
def many(make_home, tiny_raw, tmp_path, write_project):
    """Three projects: two of the same frames, and one whose raw folder is not there."""
    home = make_home(tmp_path / "home")
    for pattern in (f"{NIGHT}/g-*.fits", "calibration/bias-*.fits", "calibration/dark-180s-*.fits"):
        for path in sorted(tiny_raw.glob(pattern)):
            place = home.raw / path.relative_to(tiny_raw)
            place.parent.mkdir(parents=True, exist_ok=True)
            shutil.copyfile(path, place)
    _write_projects(home.project.parent, home, write_project)
    _recipe(home.folder, clip_high=4.0)
    return home


def _write_projects(folder, home, write_project):
    same = {"recipe": "plain", "channels": {"g": {"filters": ["G"]}}}
    for name in ("one", "two"):
        write_project(folder / f"{name}.yaml", home.raw, **same)
    write_project(folder / "lost.yaml", home.folder / "unmounted", **same)
    write_project(folder / "done.yaml", home.raw, **same, only_if_named=True)


def _recipe(config, **integration):
    recipe = {"mapping": {"luminance": {"g": 1.0}}, "integration": integration, "files": ["png"]}
    (config / "recipes").mkdir(exist_ok=True)
    (config / "recipes" / "plain.yaml").write_text(yaml.safe_dump(recipe))


def _run(home, command_line, names, *words, expected=0):
    """Run projects by name; `to channels` unless words say otherwise."""
    command = [sys.executable, "-P", "-m", "platecli", "run", "--directory", str(home.folder)]
    command += [str(home.project.with_name(f"{name}.yaml")) for name in names.split()]
    target = () if "--to" in words else ("--to", "channels")
    return command_line.said([*command, *target, *words], expected, checkout=home.checkout)


@pytest.fixture
def machine(tmp_path, monkeypatch):
    """Return a way to write the settings of the machine."""
    path = tmp_path / "machine.yaml"
    monkeypatch.setenv("PLATELOG_MACHINE", str(path))
    return path.write_text


def test_one_recipe_for_many_projects(many, command_line, machine):
    """Good projects are made, masters once; the broken one is told; the recipe is theirs in common.

    One test, since a run takes a while: the first run, one with nothing new, then a project that
    shadows a key of the recipe, then changes of the recipe.
    """
    tell = [sys.executable, "tell.py", "told.json", "{summary}", "$(touch x); 'y"]
    (many.folder / "tell.py").write_text(REPORT)
    machine(yaml.safe_dump({"cores": 2, "on_finish": tell}))

    said = _run(many, command_line, "one lost two", expected=1)
    assert "lost.yaml:3: raw: no such folder: " in said
    assert "share master x 2" in said
    results = many.folder / "results"
    folders = {path.name for path in results.iterdir() if path.is_dir()}
    assert folders == {"one", "two", ".jobs", "logs", "benchmarks"}
    masters = sorted(path.name for path in (results / "one" / "calibration").iterdir())
    assert len(masters) == 2
    for name in masters:
        assert os.path.samefile(*(results / p / "calibration" / name for p in ("one", "two")))
    for name in ("one", "two"):
        assert fits.getheader(results / name / "channels" / "g.fits")["NCOMBINE"] == 4
        listed = read_digest_sheet(results / name / "digests.sha256")
        assert {f"calibration/{master}" for master in masters} < listed.keys()
        done = verify([results / name])
        assert done.count(CHANGED) == 0
        assert not done.unlisted | done.not_kept | done.without_sheet
    _check_facts(json.loads((many.folder / "told.json").read_text()), many.folder)

    (many.folder / "told.json").unlink()
    said = _run(many, command_line, "one two", "--exit-code", expected=3)
    assert "Nothing new to do." in said
    assert not (many.folder / "told.json").exists()

    two = many.project.with_name("two.yaml")
    project = yaml.safe_load(two.read_text())
    two.write_text(yaml.safe_dump(project | {"overrides": {"integration": {"clip_high": 4.0}}}))
    assert "Nothing new to do." in _run(many, command_line, "one two")
    _recipe(many.folder, clip_high=3.5)
    said = _run(many, command_line, "one two", "--dry-run")
    assert "integrate one g" in said
    assert "integrate two g" not in said
    _recipe(many.folder, clip_high=3.5, clip_low=4.5)
    said = _run(many, command_line, "one two", "--dry-run")
    assert "integrate one g" in said
    assert "integrate two g" in said


def _check_facts(facts, folder):
    """Check what the user's program was told, and that the log says the same."""
    outcomes = {project["name"]: project["outcome"] for project in facts["projects"]}
    assert outcomes == {"one": "made", "two": "made", "lost": "failed"}
    assert facts["projects"][0]["new_subs"] == {"g": {NIGHT: 4}}
    assert facts["status"] == 1
    assert facts["arguments"] == [facts["summary"], "$(touch x); 'y"]
    assert facts["environment"] == ["1", facts["summary"]]
    assert not (folder / "x").exists()
    (line,) = (folder / "results" / "platelog.log").read_text().splitlines()
    assert line[20:] == facts["summary"]
    made = "one made (4 new subs, 10 jobs); two made (4 new subs, 10 jobs); lost failed: "
    assert line[20:].startswith(made)


def test_without_a_name_all_projects_are_run(many, checkout, command_line, write_project):
    """All of config/projects are taken but those to be named; the broken one spoils nothing.

    So it is with Snakemake itself.
    """
    _write_projects(checkout / "config" / "projects", many, write_project)
    _recipe(checkout / "config", clip_high=4.0)
    home = type(many)(many.folder, checkout)
    for said in (
        _run(home, command_line, "", "--dry-run", expected=1),
        command_line.said(
            home.by_hand("-n", "--config", "x1=1", "--", "channels"), checkout=checkout
        ),
    ):
        assert "lost.yaml:3: raw: no such folder: " in said
        for name in ("one", "two"):
            assert f"results/{name}/channels/g.fits" in said or f"integrate {name} g" in said
        assert "results/done" not in said
        assert "integrate done" not in said


def test_master_of_a_project_that_is_not_run_is_shared(many, command_line):
    """A project that comes later takes the masters that another made before."""
    _run(many, command_line, "one")
    said = _run(many, command_line, "two", "--dry-run")
    to_do = (
        "share master x 2",
        "measure stars",
        "choose reference",
        "find cosmic rays",
        "register",
    )
    assert ", ".join((*to_do, "solve astrometry", "assess subs", "integrate", "list subs")) in said
    assert "master bias" not in said


@pytest.mark.parametrize(
    ("names", "words", "wanted"),
    [
        ("nowhere", [], "nowhere.yaml"),
        ("one", ["--to", "pictures"], "did you mean 'picture'?"),
        ("one", ["--cores", "0"], "at least 1 is needed"),
        ("one", ["--colour"], "unknown arguments: --colour"),
    ],
)
def test_wrong_command_begins_nothing(many, command_line, names, words, wanted):
    """An option or a name that is wrong ends with status 2 before anything is made."""
    assert wanted in _run(many, command_line, names, *words, expected=2)
    assert not (many.folder / "results").exists()


def test_wrong_settings_of_the_machine_begin_nothing(many, command_line, machine):
    """A slip in the settings of the machine is told with its line."""
    machine("cores: 2\nmemory: 3\n")
    assert "machine.yaml:2: memory: unknown" in _run(many, command_line, "one", expected=2)
    assert not (many.folder / "results").exists()


def test_program_that_is_told_may_fail(many, command_line, machine):
    """A program that is not there spoils no run; its failure is in the log."""
    machine("on_finish: [no-such-program]\n")
    target = "results/one/calibration/bias_heronmere_m15_320x240_g120_o50_m10c.fits"
    said = _run(many, command_line, "one", "--to", target)
    assert "on_finish: no-such-program: No such file or directory" in said
    log = (many.folder / "results" / "platelog.log").read_text().splitlines()
    assert [line[20:].split(" [")[0] for line in log] == [
        "one made (4 new subs, 1 job)",
        "on_finish: no-such-program: No such file or directory",
    ]
