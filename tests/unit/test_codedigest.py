import ast
import os
from pathlib import Path

import pytest

from platefiles import codedigest
from platefiles.codedigest import code_digest

SCRIPTS = Path(codedigest.__file__).resolve().parents[1]
STEPS = sorted(
    path.name for path in SCRIPTS.glob("*.py") if "snakemake.log" in path.read_text("utf-8")
)

STEP = '''\
"""A step."""

import numpy

from lib.first import work


def step(path):
    """Do it."""
    # why
    return work(path)
'''
FIRST = "from lib import second\n\n\ndef work(path):\n    return second.LIMIT\n"
SECOND = '"""Limits."""\n\nLIMIT = 4\n'


@pytest.fixture
def project(tmp_path, monkeypatch):
    """A step that imports a module that imports another, and a way to its digest."""
    (tmp_path / "lib").mkdir()
    (tmp_path / "lib" / "__init__.py").write_text("")
    files = {"step.py": STEP, "lib/first.py": FIRST, "lib/second.py": SECOND, "lib/other.py": "A=1"}
    for name, text in files.items():
        (tmp_path / name).write_text(text)
    monkeypatch.setattr(codedigest, "_ROOT", tmp_path)
    codedigest._parsed.cache_clear()
    yield tmp_path
    codedigest._parsed.cache_clear()


def _digest():
    codedigest._parsed.cache_clear()
    return code_digest("step.py")


def _edit(path, old, new):
    text = path.read_text()
    assert old in text
    path.write_text(text.replace(old, new))


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ('"""A step."""', '"""Another text."""'),
        ('    """Do it."""\n', ""),
        ("# why", "# why not"),
        ("work(path)\n", "work( path )\n\n\n"),
    ],
)
def test_comments_docstrings_and_layout_do_not_count(project, old, new):
    """An edit that changes nothing of what is done leaves the digest as it is."""
    before = _digest()
    _edit(project / "step.py", old, new)
    assert _digest() == before


def test_file_times_do_not_count(project):
    """A touched or freshly copied file leaves the digest as it is."""
    before = _digest()
    for path in project.rglob("*.py"):
        os.utime(path, (1, 1))
    assert _digest() == before


@pytest.mark.parametrize(
    ("name", "old", "new"),
    [
        ("step.py", "return work(path)", "return work(str(path))"),
        ("lib/first.py", "second.LIMIT", "second.LIMIT + 1"),
        ("lib/second.py", "LIMIT = 4", "LIMIT = 5"),
    ],
)
def test_edits_count_however_deep(project, name, old, new):
    """An edit of the step or of a module that it imports, directly or not, changes the digest."""
    before = _digest()
    _edit(project / name, old, new)
    assert _digest() != before


def test_other_modules_do_not_count(project):
    """An edit of a module that the step does not import changes nothing."""
    before = _digest()
    (project / "lib" / "other.py").write_text("A = 2")
    assert _digest() == before


def test_there_are_steps():
    """The steps of the pipeline are found in the scripts."""
    assert {"master_bias.py", "measure.py", "integrate.py", "composite.py"} <= set(STEPS)


@pytest.mark.parametrize("name", STEPS)
def test_every_step_has_a_digest_of_its_own(name):
    """Each step digests, twice to the same, and to another than the others."""
    codedigest._parsed.cache_clear()
    one = code_digest(name)
    codedigest._parsed.cache_clear()
    assert one == code_digest(name)
    assert len(one) == 16
    assert [other for other in STEPS if code_digest(other) == one] == [name]


@pytest.mark.parametrize("name", STEPS)
def test_steps_import_in_a_way_that_the_digest_sees(name):
    """No step or module of it uses relative imports, which the digest does not follow."""
    waiting, seen = [SCRIPTS / name], set()
    while waiting:
        path = waiting.pop()
        if path in seen:
            continue
        seen.add(path)
        tree = ast.parse(path.read_text("utf-8"))
        relative = [n for n in ast.walk(tree) if isinstance(n, ast.ImportFrom) and n.level]
        assert not relative, path
        waiting += codedigest._parsed(path)[1]
    assert len(seen) > 3
