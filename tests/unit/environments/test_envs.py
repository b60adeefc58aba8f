"""The four places that say which packages are used must say the same."""

import ast
import re
from importlib.metadata import packages_distributions, version
from pathlib import Path

import pytest
import yaml
from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

ENVS = Path(__file__).resolve().parents[3] / "envs"

CONDA_NAMES = {"snakemake-minimal": "snakemake"}
"""Conda's name of a package, where it differs."""

NOT_IN_CONDA = {"setuptools"}
"""Needed to build packages from source, which conda has built already."""


PARTS = {"llvmlite": "numba", "pydantic-core": "pydantic", "urllib3": "requests"}
"""Packages that are pinned by the package that is built on them and imports them."""


def direct() -> dict[str, str]:
    """Return the reason of each direct dependency by name."""
    lines = (ENVS / "requirements.in").read_text(encoding="utf-8").splitlines()
    found = [line.partition("#") for line in lines if re.match(r"[A-Za-z]", line)]
    return {canonicalize_name(Requirement(need).name): reason.strip() for need, _, reason in found}


def groups() -> dict[str, set[str]]:
    """Return the direct dependencies by the heading of their group."""
    found: dict[str, set[str]] = {}
    text = (ENVS / "requirements.in").read_text(encoding="utf-8")
    for block in text.split("\n\n")[1:]:
        heading, *lines = block.strip().splitlines()
        needs = [Requirement(line.partition("#")[0]) for line in lines]
        found[heading.removeprefix("# the ")] = {canonicalize_name(need.name) for need in needs}
    return found


def imported(folder: str) -> set[str]:
    """Return the packages that the modules of a folder import, at their top or in a function."""
    modules = set()
    for path in (ENVS.parent / folder).rglob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Import):
                modules |= {alias.name for alias in node.names}
            elif isinstance(node, ast.ImportFrom) and node.module and not node.level:
                modules.add(node.module)
    providers = packages_distributions()
    names = {name for module in modules for name in providers.get(module.split(".")[0], [])}
    return {canonicalize_name(name) for name in names}


def locked(environment: dict[str, str] | None = None) -> dict[str, str]:
    """Return the locked version of each package whose marker holds in the environment."""
    pins = {}
    for line in (ENVS / "requirements.lock").read_text(encoding="utf-8").splitlines():
        if re.match(r"[A-Za-z]", line):
            pin = Requirement(line.rstrip(" \\"))
            if pin.marker is None or pin.marker.evaluate(environment):
                pins[canonicalize_name(pin.name)] = str(pin.specifier).removeprefix("==")
    return pins


def in_conda() -> dict[str, str]:
    """Return the versions in pipeline.yaml by the names that PyPI uses."""
    listed = yaml.safe_load((ENVS / "pipeline.yaml").read_text(encoding="utf-8"))["dependencies"]
    pairs = (entry.split("=", 1) for entry in listed)
    return {CONDA_NAMES.get(name, name): pinned for name, pinned in pairs}


def test_every_direct_dependency_has_a_reason():
    """No package is listed in requirements.in without saying what it is for."""
    assert [name for name, reason in direct().items() if not reason] == []


@pytest.mark.parametrize("group", ["workflow", "numbers", "pictures", "sky", "record"])
def test_the_steps_import_what_is_listed_for_them(group):
    """Each package of the groups that a run needs is imported by a module of ``scripts``."""
    assert groups()[group] - imported("scripts") == set()


def test_packages_for_tests_are_for_tests_alone():
    """Modules of ``scripts`` import no package of the group of the tests; tests import each."""
    listed = groups()["tests"]
    assert listed & imported("scripts") == set()
    assert listed - imported("tests") == {"pytest-xdist"}  # which pytest loads itself


def test_imported_packages_are_direct_dependencies():
    """No module relies on a package that only comes along with another one."""
    of_clusters = set(
        re.findall(r"^[\w-]+", (ENVS / "cluster.in").read_text("utf-8"), re.MULTILINE)
    )
    others = imported("scripts") - set(direct()) - set(PARTS) - of_clusters
    assert {name for name in others if not name.startswith("snakemake-interface-")} == set()


def test_lock_holds_every_direct_dependency():
    """The lock was made after the last change of requirements.in."""
    assert set(direct()) - set(locked()) == set()


def test_every_pin_has_a_digest():
    """Nothing can be installed from the lock that is not known by its SHA-256."""
    text = (ENVS / "requirements.lock").read_text(encoding="utf-8")
    blocks = re.split(r"^(?=[A-Za-z])", text, flags=re.MULTILINE)[1:]
    assert [block.split()[0] for block in blocks if "--hash=sha256:" not in block] == []


def test_conda_environment_equals_lock():
    """The conda environment holds the direct dependencies in the versions for Python 3.11."""
    conda = in_conda()
    assert conda.pop("python") == "3.11.*"
    pins = locked({"python_version": "3.11", "python_full_version": "3.11.0"})
    assert conda == {name: pins[name] for name in direct() if name not in NOT_IN_CONDA}


@pytest.mark.parametrize("name", sorted(set(direct()) - NOT_IN_CONDA))
def test_installed_version_equals_lock(name):
    """The tests run with the version that users get."""
    assert version(name) == locked()[name]
