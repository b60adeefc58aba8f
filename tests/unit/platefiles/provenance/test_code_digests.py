import ast
import os
from pathlib import Path

import pytest

from platefiles.provenance import code_digests
from platefiles.provenance.code_digests import code_digest

SCRIPTS = Path(code_digests.__file__).resolve().parents[2]
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
    monkeypatch.setattr(code_digests, "_ROOT", tmp_path)
    monkeypatch.setattr(code_digests, "MEMORY", tmp_path / "var" / "code.json")
    _forget()
    yield tmp_path
    _forget()


def _forget():
    """Be as a new process is."""
    for function in (code_digests.code_digest, code_digests._parsed, code_digests._memory):
        function.cache_clear()


def _digest():
    _forget()
    return code_digest("step.py")


def _edit(path, old, new):
    text = path.read_text()
    assert old in text
    path.write_text(text.replace(old, new))


def test_sentences_do_not_count(project):
    """A module of sentences may be reworded; other modules count, as before."""
    _edit(project / "step.py", "import numpy", "import numpy\n\nimport lib.note_sentences")
    (project / "lib" / "note_sentences.py").write_text('SAID = "as it was"\n')
    before = _digest()
    (project / "lib" / "note_sentences.py").write_text('SAID = "reworded"\n')
    assert _digest() == before
    (project / "lib" / "second.py").write_text("B = 3\n")
    assert _digest() != before


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


def test_what_was_found_is_kept(project, monkeypatch):
    """A later process parses no file that is as it was, and comes to the same digest."""
    before = _digest()
    monkeypatch.setattr(ast, "parse", None)
    assert _digest() == before
    monkeypatch.undo()


@pytest.mark.parametrize("content", [None, "", "[1]", '{"step.py": ["", "", []]}'])
def test_memory_is_never_needed(project, content):
    """A memory that is gone, damaged or of another source is as good as none."""
    before = _digest()
    code_digests.MEMORY.unlink()
    if content is not None:
        code_digests.MEMORY.write_text(content)
    assert _digest() == before


def test_environment_may_be_read_only(project, monkeypatch):
    """Where the memory cannot be written the digest is the same."""
    before = _digest()
    (project / "full").write_text("")
    monkeypatch.setattr(code_digests, "MEMORY", project / "full" / "code.json")
    assert _digest() == before


def test_there_are_steps():
    """The steps of the pipeline are found in the scripts."""
    assert {"master_bias.py", "measure_stars.py", "integrate.py", "draw_picture.py"} <= set(STEPS)


@pytest.mark.parametrize("name", STEPS)
def test_every_step_has_a_digest_of_its_own(name):
    """Each step digests, twice to the same, and to another than the others."""
    _forget()
    one = code_digest(name)
    _forget()
    assert one == code_digest(name)
    assert len(one) == 16
    assert [other for other in STEPS if code_digest(other) == one] == [name]


@pytest.mark.parametrize("name", STEPS)
def test_steps_import_in_a_way_that_the_digest_sees(name):
    """No step or module of it uses relative imports, which the digest does not follow."""
    waiting, seen = [name], set()
    while waiting:
        file = waiting.pop()
        if file in seen:
            continue
        seen.add(file)
        tree = ast.parse((SCRIPTS / file).read_text("utf-8"))
        relative = [n for n in ast.walk(tree) if isinstance(n, ast.ImportFrom) and n.level]
        assert not relative, file
        waiting += code_digests._parsed(file)[1]
    assert len(seen) > 3
