"""Snakemake's own check of the rules (``python -m platecli.execution.lint``).

The rules are read together with a project and its frames, so a tiny set is drawn for it.
"""

import subprocess
import sys
import tempfile
from pathlib import Path

import yaml

from draw_demo import draw_raw
from platecli.execution.engine import ROOT


def lint(folder: Path) -> int:
    """Check the rules with a tiny project and return Snakemake's exit status.

    Parameters
    ----------
    folder
        An empty folder for the project and its frames.
    """
    draw_raw("tiny", folder / "raw")
    demo = ROOT / "config" / "projects" / "demo.yaml"
    settings = {**yaml.safe_load(demo.read_text(encoding="utf-8")), "raw": ["raw"]}
    project = folder / "tiny.yaml"
    project.write_text(yaml.safe_dump(settings), encoding="utf-8")
    words = [sys.executable, "-P", "-m", "snakemake", "--lint", "--directory", str(folder)]
    words += ["--snakefile", str(ROOT / "Snakefile"), "--config", f'projects="{project}"']
    return subprocess.run(words, check=False).returncode


if __name__ == "__main__":
    with tempfile.TemporaryDirectory() as temporary:
        sys.exit(lint(Path(temporary)))
