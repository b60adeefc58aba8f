"""Snakemake runs the jobs of steps by the project's executor."""

import json
import subprocess
import sys
from pathlib import Path
from types import SimpleNamespace

import pytest
import snakemake_executor_plugin_platelog as plugin

from platecli.execution import engine, snakemake_names
from platefiles.jobs.binding import SCRIPTS

pytestmark = pytest.mark.skipif(sys.platform != "linux", reason="steps are forked on Linux only")

SNAKEFILE = """
rule all:
    input: "out/made.txt"

rule work:
    input: one="one.txt", many=["one.txt", "other.txt"], none=[]
    output: "out/made.txt"
    log: "logs/work.log"
    benchmark: "benchmarks/work.tsv"
    threads: 2
    resources: mem_mb=321
    params: job="the job"
    script: "work.py"

rule shell:
    output: "shell.txt"
    shell: "echo shell > {output}"
"""
WORK = """
import json, os, time
while time.process_time() < 0.3:
    pass
with open(f"/proc/{os.getppid()}/cmdline") as parent:
    started = parent.read().replace("\\0", " ")
given = [
    snakemake.input.one, list(snakemake.input.many), list(snakemake.input.none),
    list(snakemake.output), list(snakemake.log), snakemake.params.job,
    snakemake.threads, snakemake.resources.mem_mb, os.getcwd(),
]
with open(snakemake.output[0], "w") as out:
    json.dump({"given": given, "started": started}, out)
"""
GIVEN = ["one.txt", ["one.txt", "other.txt"], [], ["out/made.txt"], ["logs/work.log"], "the job"]

# The step is that of the folder.
STEPS_HERE = """
import sys
from pathlib import Path
import snakemake_executor_plugin_platelog as plugin
from platecli.execution import engine, step_server
plugin.script_of = lambda rule: str(Path("work.py").resolve()) if "work" in rule else ""
start = engine.main
{more}
sys.exit(start(sys.argv[1:]))
"""
BY_HAND = "from snakemake.cli import main as start"
NO_SERVER = """
def fail(*args):
    raise OSError("no more processes")
step_server.StepServer._reached = fail
"""
OTHER_VERSION = """
from platecli.execution import snakemake_names
def fail(job):
    raise snakemake_names.MissingName("job.input.items")
plugin.named_inputs = fail
"""


@pytest.fixture
def folder(tmp_path):
    """A small workflow."""
    (tmp_path / "Snakefile").write_text(SNAKEFILE, encoding="utf-8")
    (tmp_path / "work.py").write_text(WORK, encoding="utf-8")
    for name in ("one.txt", "other.txt"):
        (tmp_path / name).touch()
    return tmp_path


def run(folder: Path, *words: str, more: str = "") -> subprocess.CompletedProcess[str]:
    """Run the workflow as a verb does."""
    command = [sys.executable, "-c", STEPS_HERE.format(more=more), "--cores", "2", *words]
    return subprocess.run(command, cwd=folder, capture_output=True, text=True, check=False)


@pytest.mark.parametrize(
    ("more", "words", "started_by"),
    [
        ("", [], "platecli.execution.step_forks"),
        (NO_SERVER, [], "python -c"),
        (OTHER_VERSION, [], "-m snakemake"),
        ("", ["--executor", "local"], "python -c"),
        (BY_HAND, ["--executor", "platelog"], "platecli.execution.step_forks"),
    ],
    ids=["fork", "no server", "other version", "switch", "by hand"],
)
def test_step_is_given_the_same_whoever_starts_it(folder, more, words, started_by):
    """A step gets the same facts from a fork, an own process, and with the switch, Snakemake.

    It is measured, and a rule that is no step runs by Snakemake's command.
    """
    targets = ["all"] if more or words else ["all", "shell.txt"]
    done = run(folder, *words, *targets, more=more)
    assert done.returncode == 0, done.stderr
    made = json.loads((folder / "out" / "made.txt").read_text())
    assert made["given"] == [*GIVEN, 2, 321, str(folder)]
    assert started_by in made["started"]
    assert ("Snakemake has no job.input.items" in done.stderr) == (more == OTHER_VERSION)
    head, row = (folder / "benchmarks" / "work.tsv").read_text().splitlines()
    figures = dict(zip(head.split("\t"), row.split("\t"), strict=True))
    if "forks" in started_by:  # the others may be gone before the first look
        assert float(figures["cpu_time"]) > 0.2
        assert float(figures["max_rss"]) > float(figures["max_uss"]) > 0.5
    assert (folder / "shell.txt").exists() == ("shell.txt" in targets)


FAILING = """
import os
if snakemake.output[0] == "killed.txt":
    os.kill(os.getpid(), 9)
raise SystemExit(4)
"""
MORE_RULES = """
use rule work as work_killed with:
    output: "killed.txt"
    log: "logs/killed.log"

use rule work as work_unwritable with:
    output: "unwritable.txt"
    log: "logs/unwritable.log"
    benchmark: "folder"
"""


def test_failing_steps_fail_their_rules(folder):
    """A step that fails, is killed or cannot write fails its job and the run; nothing is left."""
    (folder / "Snakefile").write_text(SNAKEFILE + MORE_RULES, encoding="utf-8")
    (folder / "work.py").write_text(FAILING, encoding="utf-8")
    (folder / "killed.txt").write_text("old", encoding="utf-8")
    (folder / "folder").mkdir()
    targets = ["out/made.txt", "killed.txt", "unwritable.txt"]
    done = run(folder, "--keep-going", "--force", *targets)
    assert done.returncode == 1
    assert "work ended with status 4" in done.stderr
    assert "work_killed ended with status -9" in done.stderr
    assert "folder: Is a directory" in done.stderr
    assert not any((folder / name).exists() for name in targets)
    assert "killed by signal 9" in (folder / "logs" / "killed.log").read_text()


@pytest.mark.parametrize(
    ("rule", "script"),
    [
        ("draw_picture", "draw_picture.py"),
        ("encode_picture_tiff", "encode_picture.py"),
        ("measure_stars", "measure_stars.py"),
        ("measure_depth", "measure_depth.py"),
        ("all", ""),
    ],
)
def test_script_of_a_rule(rule, script):
    """The rules tell their scripts, also those that are made from others."""
    assert plugin.script_of(rule) == (str(SCRIPTS / script) if script else "")


def test_version_that_hides_names_is_told():
    """Inputs without names are no inputs."""
    with pytest.raises(snakemake_names.MissingName, match="job.input.items"):
        snakemake_names.named_inputs(SimpleNamespace(input=["a", "b"]))


def test_version_without_the_halves_of_the_command_runs_the_command(monkeypatch, capfd):
    """Where Snakemake's functions have other names, its command is run."""
    monkeypatch.delattr("snakemake.cli.args_to_api")
    ears = SimpleNamespace(ends_at_once=True)
    executable = sys.executable
    try:
        assert engine._snakemake(["--version"], None, ears) == 0
    finally:
        sys.executable = executable
    out, err = capfd.readouterr()
    assert out.startswith("9.")
    assert "has no snakemake.cli.args_to_api; platelog runs its command" in err
