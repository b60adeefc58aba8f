"""The rules as they are read here, against Snakemake's own reading of the same files."""

import json
import subprocess
import sys

import pytest

from draw_demo import draw_raw
from platefiles.core.errors import UserError
from platefiles.rule_files.path_pattern import PathPattern
from platefiles.rule_files.rule_text import ROOT, place_of, rule_texts, rules_by_step

READ_BY_SNAKEMAKE = r"""
import json, re, sys
from pathlib import Path
from snakemake.api import SnakemakeApi
from snakemake.settings.types import ConfigSettings, OutputSettings, ResourceSettings


def value(resource):
    return None if resource is None or resource.is_evaluable() else resource.value



def plain(path):
    return re.sub(r",[^{}]*(?:{[^{}]*}[^{}]*)*}", "}", str(path))


with SnakemakeApi(OutputSettings(dryrun=True)) as api:
    given = api.workflow(
        ResourceSettings(cores=1),
        ConfigSettings(config={"projects": sys.argv[2]}),
        snakefile=Path(sys.argv[1]),
    )
    workflow = given._workflow
    found = {}
    for rule in workflow.rules:
        found[rule.name] = [
            [plain(path) for path in rule.output],
            [plain(path) for path in rule.log],
            plain(rule.benchmark or ""),
            sorted(name for name, _ in rule.input._allitems() if name),
            Path(rule.script or "").stem,
            value(rule.resources["_cores"]),
            value(rule.resources.get("mem_mb")),
        ]
    Path(sys.argv[3]).write_text(json.dumps(found))
"""


@pytest.fixture(scope="module")
def by_snakemake(tmp_path_factory, write_project):
    """Return the rules parsed by Snakemake, by name."""
    folder = tmp_path_factory.mktemp("rules")
    draw_raw("tiny", folder / "raw")
    project = write_project(folder / "tiny.yaml", folder / "raw")
    told = folder / "rules.json"
    words = [sys.executable, "-P", "-c", READ_BY_SNAKEMAKE]
    words += [str(ROOT / "Snakefile"), str(project), str(told)]
    done = subprocess.run(words, cwd=folder, capture_output=True, text=True)
    assert done.returncode == 0, done.stderr
    return json.loads(told.read_text())


def test_snakemake_reads_the_same(by_snakemake):
    """Output, log, benchmark, names of inputs, script, threads and memory of every rule."""
    read = rule_texts()
    # Masters of another project are taken only where there is one.
    assert set(by_snakemake) == set(read) - {"share_master"}
    for name, (output, log, benchmark, inputs, script, threads, mem_mb) in by_snakemake.items():
        rule = read[name]
        assert ([rule.output.text] if rule.output else []) == output
        assert ([rule.log] if rule.log else []) == log
        assert rule.benchmark == benchmark
        assert sorted(rule.inputs) == inputs
        assert (rule.step, rule.threads) == (script, threads)
        if rule.step:
            assert rule.mem_mb == mem_mb, name


def test_each_step_is_the_script_of_a_rule():
    """Every script of a rule is there, and drawing TIFF is the same step as drawing PNG."""
    assert {(ROOT / "scripts" / f"{step}.py").is_file() for step in rules_by_step()} == {True}
    texts = rule_texts()
    assert texts["encode_picture_tiff"].step == texts["encode_picture"].step == "encode_picture"
    assert "share_master" not in rules_by_step()


@pytest.mark.parametrize(
    ("step", "path", "job", "place"),
    [
        (
            "measure_stars",
            "/x/y.fits",
            {"channel": "g", "night": "2031-01-02"},
            "g/2031-01-02.fits",
        ),
        ("calibrate_sub", "/x/g/a_1.fits", {"channel": "g", "sub": {"id": "a_1"}}, "g/a_1.fits"),
        ("encode_picture", "/x/warm.1000px.jpg", {"picture": {}}, "warm.1000px.jpg"),
        ("overlay", "/r/field/overlay_m.png", {"image": "m"}, "field/overlay_m.png"),
        ("contact_sheet", "/x/other.png", {}, "contact_sheet.png"),
        ("solve_astrometry", "solution.fits", {}, "field/solution.fits"),
    ],
)
def test_a_product_has_its_place_by_job_and_file(step, path, job, place):
    """The path comes from the job, and from the file if the job lacks a part."""
    output = rules_by_step()[step].output
    assert output.place(path, job).endswith(place)
    assert output.place(path, job).split("/")[0] == place_of(step).split("/")[0]


def test_names_of_pictures_end_at_a_dot():
    """A size for the web belongs to the ending, not to the name."""
    pattern = PathPattern("p/{picture}.{ending}", {"ending": r"png|jpg|[0-9]+px\.jpg"})
    assert pattern.match("p/warm.1000px.jpg") == {"picture": "warm", "ending": "1000px.jpg"}
    assert pattern.match("p/warm.gif") is None
    assert pattern.match("p/a/warm.png") is None


def test_a_rule_that_python_cannot_read_is_a_sentence(tmp_path):
    """It names the file, the rule and the directive."""
    file = tmp_path / "Snakefile"
    file.write_text('rule sky:\n    """Find the sky."""\n    output:\n        "a b" "c" d,\n')
    with pytest.raises(UserError, match=r"Snakefile: rule sky: output: not the arguments"):
        rule_texts(file)
