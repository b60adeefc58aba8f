"""The graph of imports between packages, drawn from the sources."""

import ast
from graphlib import CycleError, TopologicalSorter
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
SCRIPTS = ROOT / "scripts"
LAYERS = ("platelib", "platefiles", "platecli")
"""Lowest first: none imports from one that follows."""

MOST_MODULES, MOST_LINES = 14, 350


def _files() -> dict[str, Path]:
    """The modules of the three layers by their dotted names."""
    found = {}
    for layer in LAYERS:
        for path in sorted((SCRIPTS / layer).rglob("*.py")):
            found[".".join(path.relative_to(SCRIPTS).with_suffix("").parts)] = path
    return found


def _package(module: str) -> str:
    """The first two words of a name: a package of a layer."""
    return ".".join(module.split(".")[:2])


def imported(source: str, modules: set[str]) -> set[str]:
    """Return the modules that a source imports, wherever in it the import stands."""
    found = set()
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and node.module:
            found |= {node.module, *(f"{node.module}.{alias.name}" for alias in node.names)}
    return found & modules


@pytest.fixture(scope="module")
def graph() -> dict[str, set[str]]:
    """The packages that each package imports from."""
    files = _files()
    packages: dict[str, set[str]] = {}
    for name, path in files.items():
        if path.name in ("__init__.py", "__main__.py"):
            continue
        others = {_package(one) for one in imported(path.read_text(), set(files))}
        packages.setdefault(_package(name), set()).update(others - {_package(name)})
    return packages


def test_packages_are_imported_in_one_direction(graph):
    """No package imports from one that, by whatever way, imports from it."""
    assert len(graph) > 30
    try:
        order = list(TopologicalSorter(graph).static_order())
    except CycleError as error:
        pytest.fail(" imports ".join(reversed(error.args[1])))
    assert order.index("platelib.numerics") < order.index("platecli.verbs")


def test_a_cycle_would_be_seen(graph):
    """One import from a verb in a package below closes a circle."""
    changed = graph | {"platelib.numerics": {"platelib.integration"}}
    with pytest.raises(CycleError):
        TopologicalSorter(changed).prepare()


def test_layers_import_downward(graph):
    """Numbers know no files, and files know no verbs."""
    upward = [
        f"{package} imports {other}"
        for package, others in graph.items()
        for other in others
        if LAYERS.index(other.split(".")[0]) > LAYERS.index(package.split(".")[0])
    ]
    assert not upward


_IN_PROSE = ("platefiles.settings", "platecli.drafting")
"""Packages that say in sentences how their modules work together."""


def test_every_package_says_what_it_is_for_and_re_exports_nothing():
    """The docstring is all that the first file of a package holds."""
    for name, path in _files().items():
        if path.name == "__init__.py":
            tree = ast.parse(path.read_text())
            said = ast.get_docstring(tree)
            assert said, name
            assert len(tree.body) == 1, name
            if name.count(".") == 2 and name.removesuffix(".__init__") not in _IN_PROSE:
                assert "\nInput: " in said and "\nOutput: " in said, name


def _passed_on(tree: ast.Module, modules: set[str]) -> set[str]:
    """Return the names that a module has from others of the project."""
    return {
        alias.asname or alias.name
        for node in tree.body
        if isinstance(node, ast.ImportFrom) and node.module in modules
        for alias in node.names
    }


def test_names_are_imported_from_where_they_are_defined():
    """No module hands on what it imports itself."""
    files = _files()
    trees = {name: ast.parse(path.read_text()) for name, path in files.items()}
    steps = {path.stem: ast.parse(path.read_text()) for path in SCRIPTS.glob("*.py")}
    passed_on = {name: _passed_on(tree, set(files)) for name, tree in trees.items()}
    found = [
        f"{name} has {alias.name} from {node.module}"
        for name, tree in (trees | steps).items()
        for node in ast.walk(tree)
        if isinstance(node, ast.ImportFrom) and node.module in files
        for alias in node.names
        if alias.name in passed_on[node.module]
    ]
    assert not found


def test_developers_find_every_package(graph):
    """DEVELOPERS.md names each package."""
    text = (ROOT / "DEVELOPERS.md").read_text()
    assert [name for name in graph if f"`{name}`" not in text] == []


def test_packages_are_small(graph):
    """A package has 14 modules at most."""
    counts = dict.fromkeys(graph, 0)
    for name, path in _files().items():
        if path.name not in ("__init__.py", "__main__.py"):
            counts[_package(name)] += 1
    assert {name: n for name, n in counts.items() if n > MOST_MODULES} == {}


def test_modules_are_short():
    """No module, and no step, has more than 350 lines."""
    paths = [*_files().values(), *SCRIPTS.glob("*.py")]
    lines = {path.relative_to(SCRIPTS): len(path.read_text().splitlines()) for path in paths}
    assert {str(path): n for path, n in lines.items() if n > MOST_LINES} == {}
