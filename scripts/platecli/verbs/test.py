"""The verb `test`: the formatters, the checkers, then the tests."""

import argparse
import os
import subprocess
import sys
import time
from collections.abc import Sequence

from platecli.execution.engine import ROOT, exit_status
from platecli.execution.engine import run as run_shown
from platecli.rebuild.task_runner import processors

TAKES_MORE = True
"""Arguments that are not known here go to pytest."""

PYTHON = (sys.executable, "-P", "-m")
WORKFLOW_TESTS = "tests/workflow"
ONE_FILE_ONE_PROCESS = ("--dist", "loadfile", "--no-loadscope-reorder")
"""Tests of a file share what is costly to make. Files stay in their order: those with the fewest
tests take longest."""


def checks() -> dict[str, list[str]]:
    """Return the commands that check the code without running it, by name."""
    rules = ["Snakefile", *sorted(str(p.relative_to(ROOT)) for p in ROOT.glob("rules/*.smk"))]
    sources = ["scripts", "tests"]
    return {
        "ruff format": [*PYTHON, "ruff", "format", "--check", "--quiet", *sources],
        "ruff check": [*PYTHON, "ruff", "check", "--quiet", *sources],
        "snakefmt": [*PYTHON, "snakefmt", "--check", *rules],
        "mypy": [*PYTHON, "mypy", "--no-error-summary", "scripts/platelib", "scripts/platefiles"],
        "snakemake --lint": [*PYTHON, "platecli.execution.lint"],
    }


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments of `test`."""
    parser.add_argument("--fast", action="store_true", help="run no tests of the whole workflow")
    parser.epilog = "Further arguments go to pytest, such as -k registration or tests/unit."


def run(args: argparse.Namespace) -> int:
    """Run every check, however many fail, then the tests; return 0 if all passed."""
    start = time.monotonic()
    os.chdir(ROOT)
    commands = checks()
    failed = [name for name, words in commands.items() if not passes(name, words)]
    if run_shown(pytest_command(args.fast, args.extra)) != 0:
        failed.append("pytest")
    took_s = time.monotonic() - start
    if failed:
        print(f"{len(failed)} of {len(commands) + 1} checks failed: {', '.join(failed)}.")
        return 1
    print(f"All {len(commands) + 1} checks passed in {took_s:.0f} s.")
    return 0


def passes(name: str, words: Sequence[str]) -> bool:
    """Run one check, print a line on it, and print its output if it failed.

    Parameters
    ----------
    name
        How the line calls it.
    words
        The command.
    """
    start = time.monotonic()
    done = subprocess.run(words, capture_output=True, text=True, errors="replace")
    verdict = "ok" if done.returncode == 0 else "FAILED"
    print(f"{name:<18}{verdict:>8} {time.monotonic() - start:6.1f} s", flush=True)
    if done.returncode:
        print(done.stdout + done.stderr, flush=True)
    return exit_status(done.returncode) == 0


def pytest_command(fast: bool, extra: Sequence[str]) -> list[str]:
    """Return the command that runs the tests.

    Parameters
    ----------
    fast
        Omit the runs of the workflow.
    extra
        Arguments for pytest; if a path is among them, only that is tested. Without any, each
        processor has its share of the files.
    """
    chosen = any((ROOT / word.split("::")[0]).exists() for word in extra)
    paths = [] if chosen else ["tests"]
    skipped = [f"--ignore={WORKFLOW_TESTS}"] if fast else []
    shared = [] if extra else ["--numprocesses", str(processors()), *ONE_FILE_ONE_PROCESS]
    return [*PYTHON, "pytest", "-q", *shared, *skipped, *paths, *extra]
