import ast
import re
import subprocess
import sys
from pathlib import Path

import pytest

from platefiles.audit.run_step import Task
from platefiles.core.errors import UserError
from platefiles.rule_files.rule_text import rules_by_step
from platefiles.workflow.makers import is_single

ROOT = Path(__file__).resolve().parents[4]


def test_inputs_that_are_single_paths_are_those_that_bindings_use_as_such():
    """A binding takes a list as a list, or its first place, and what is single as it stands."""
    for step in rules_by_step():
        binding = ast.parse((ROOT / "scripts" / f"{step}.py").read_text()).body[-1]
        for call in (n for n in ast.walk(binding) if isinstance(n, ast.keyword)):
            match = re.fullmatch(r"snakemake\.input\.(\w+)", ast.unparse(call.value))
            if match:
                plural = call.arg.startswith("paths_")
                assert plural == (not is_single(step, match[1])), (step, call.arg)


def test_a_task_runs_the_binding_of_its_step(tmp_path):
    """The step gets its inputs, job, log and output, and its failure is in its log."""
    task = Task(
        "choose_reference",
        str(tmp_path / "grid.lock.yaml"),
        {"measures": []},
        '{"channels":["ha"],"project":"tiny","reference":null,"settings":{"quality":{"max_ellipticity":0.4}}}',
        str(tmp_path / "logs" / "grid.log"),
    )
    script = task.written(tmp_path / "tasks" / "1.py", threads=1)
    done = subprocess.run([sys.executable, "-P", script], capture_output=True, text=True)
    assert done.returncode == 1, done.stderr
    log = (tmp_path / "logs" / "grid.log").read_text()
    assert "ERROR project 'tiny': none of its 0 lights can be used" in log


@pytest.mark.parametrize("step", ["../evil", "platelog", "draw_demo", ""])
def test_what_is_no_step_is_never_run(step):
    """A record comes from strangers; a name in it runs no other script."""
    with pytest.raises(UserError, match="is no step of this version"):
        Task(step, "x", {}, "{}", "y")
