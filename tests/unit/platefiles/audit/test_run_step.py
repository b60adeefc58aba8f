import ast
import json
import re
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from astropy.io import fits

from platefiles.audit.run_step import Task
from platefiles.core.errors import UserError
from platefiles.fits.products_io import image_hdu, write_product
from platefiles.integration.tiles import needed_mb
from platefiles.rule_files.rule_text import rules_by_step
from platefiles.runs.memory import Memory, memory_for
from platefiles.workflow.makers import is_single

ROOT = Path(__file__).resolve().parents[4]


def test_inputs_that_are_single_paths_are_those_that_bindings_use_as_such():
    """A binding takes a list as a list or its first element, and a single path unchanged."""
    for step in rules_by_step():
        binding = ast.parse((ROOT / "scripts" / f"{step}.py").read_text()).body[-1]
        for call in (n for n in ast.walk(binding) if isinstance(n, ast.keyword)):
            match = re.fullmatch(r"snakemake\.input\.(\w+)", ast.unparse(call.value))
            if match:
                plural = call.arg.startswith("paths_")
                assert plural == (not is_single(step, match[1])), (step, call.arg)


def test_a_task_runs_the_binding_of_its_step(tmp_path):
    """The step gets its inputs, job, log and output, and its failure is in its log."""
    settings = {
        "quality": {"max_ellipticity": 0.4},
        "registration": {"min_matches": 8, "max_rms_px": 0.5, "max_degree": 3},
    }
    task = Task(
        "choose_reference",
        str(tmp_path / "grid.lock.yaml"),
        {"measures": []},
        json.dumps(
            {"channels": ["ha"], "project": "tiny", "reference": None, "settings": settings}
        ),
        str(tmp_path / "logs" / "grid.log"),
    )
    script = task.call(1, task.memory_mb(1)).written(tmp_path / "1.py")
    done = subprocess.run([sys.executable, "-P", script], capture_output=True, text=True)
    assert done.returncode == 1, done.stderr
    log = (tmp_path / "logs" / "grid.log").read_text()
    assert "ERROR project 'tiny': none of its 0 lights can be used" in log


def test_a_task_has_the_memory_of_its_rule(tmp_path):
    """A number of the rule is taken as it stands; else the size of the images tells."""

    def task(step, **inputs):
        return Task(step, "x", inputs, "{}", "y")

    raws = [str(tmp_path / f"{name}.fits") for name in ("missing", "empty", "light")]
    (tmp_path / "empty.fits").touch()
    fits.PrimaryHDU(np.zeros((30, 40), np.int16)).writeto(raws[2])
    image = image_hdu(np.zeros((2, 300, 400), np.float32), "SCI")
    write_product(tmp_path / "cube.fits", [], [image])
    assert task("measure_stars", raw=raws).memory_mb(2) == 1500
    assert task("integrate", raw=raws).memory_mb(2) == needed_mb(3, (30, 40), 2)
    cube = [str(tmp_path / "cube.fits")]
    assert task("annotate", linear_image=cube).memory_mb(1) == memory_for(
        "annotate", (300, 400), 0, 1
    )
    assert task("annotate", linear_image=cube).memory_mb(1) > task("annotate").memory_mb(1) > 200
    sky = task("subtract_gradient", channel=cube).memory_mb(1)
    assert sky == memory_for("sky", (300, 400), 0, 1)


def test_each_step_has_a_memory():
    """Each rule gives a number, or the name of a method that computes the memory."""
    for step, rule in rules_by_step().items():
        if rule.mem_mb is None:
            assert hasattr(Memory, rule.memory_method), step
            assert memory_for(rule.memory_method, (3000, 4000), 10, 2) > 250, step


@pytest.mark.parametrize("step", ["../evil", "platelog", "draw_demo", ""])
def test_what_is_no_step_is_never_run(step):
    """A record comes from strangers; a name in it runs no other script."""
    with pytest.raises(UserError, match="is no step of this version"):
        Task(step, "x", {}, "{}", "y")
