"""What the project uses of Snakemake beyond its documentation stands in one module."""

import re
from pathlib import Path

import pytest

from platecli.execution import snakemake_names

SCRIPTS = Path(snakemake_names.__file__).resolve().parents[2]
DOCUMENTED = re.compile(r"snakemake_interface_(executor|logger)_plugins\b|snakemake\.utils\b")


def imports_of_snakemake(text: str) -> list[str]:
    """Return the names of Snakemake's modules that a source imports or writes as a text."""
    found = re.findall(r"^\s*(?:from|import) (snakemake(?:_interface)?[\w.]*)", text, re.MULTILINE)
    found += re.findall(r"[\"'](snakemake(?:_interface\w*)?\.[\w.]+)[\"']", text)
    return [name for name in found if not name.startswith(("snakemake_logger_", "snakemake_exec"))]


def test_other_modules_keep_to_what_is_documented():
    """Only the listed flags of inputs are imported elsewhere."""
    elsewhere = {
        f"{path.relative_to(SCRIPTS)}: {name}"
        for path in SCRIPTS.rglob("*.py")
        if path.name != "snakemake_names.py"
        for name in imports_of_snakemake(path.read_text(encoding="utf-8"))
        if not DOCUMENTED.match(name)
    }
    assert elsewhere == {"platefiles/rule_inputs/flags.py: snakemake.io"}


def test_check_of_imports_sees_what_it_looks_for():
    """Imports at the top, in functions and by name are found; plugins of the project are not."""
    text = """
import snakemake.script
import snakemake_logger_plugin_platelog
def function():
    from snakemake.io import ancient
    importlib.import_module("snakemake.jobs")
"""
    assert imports_of_snakemake(text) == ["snakemake.script", "snakemake.io", "snakemake.jobs"]


def test_all_names_are_there():
    """The version of the lock file has what the table lists."""
    words = snakemake_names.command_line()
    assert all(map(callable, words))
    from snakemake.scheduling.job_scheduler import JobScheduler
    from snakemake_interface_report_plugins.registry import ReportPluginRegistry

    assert callable(JobScheduler.exit_gracefully)
    assert ReportPluginRegistry


def test_missing_name_is_named():
    """Neither a module nor a name of a module that is not there goes unnoticed."""
    for name in ("snakemake.no_such_module.name", "snakemake.cli.no_such_name"):
        with pytest.raises(snakemake_names.MissingName, match=name):
            snakemake_names._named(name)
