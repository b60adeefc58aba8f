"""The digest of the code of a step, with the project modules that it imports.

Comments, docstrings and layout do not count, nor do file times: a clone, a touched file or an
edited comment leaves the digest as it is. Nor do modules of sentences, whose names end with
``_sentences``: they say in words what jobs and products hold as data.
"""

import ast
import functools
import hashlib
import json
import os
import sys
from contextlib import suppress
from pathlib import Path

from platefiles.core.atomic_write import write_if_changed

_WORDS_ALONE = "_sentences"

_ROOT = Path(__file__).resolve().parents[2]

MEMORY = Path(sys.prefix) / "var" / "code.json"
"""What was found in each file, with the digest of its bytes: to parse all of them takes longer than
all else that is planned for a small project."""


@functools.cache
def code_digest(script: str) -> str:
    """Return the digest of a step's code, cached for the life of the process.

    Parameters
    ----------
    script : str
        File name in ``scripts/``, such as ``"measure_stars.py"``.

    Returns
    -------
    str
        16 hexadecimal digits of SHA-256 over the syntax trees of the step and of every module of
        the project that it imports, directly or not.
    """
    trees: dict[str, str] = {}
    waiting = [script]
    while waiting:
        name = waiting.pop()
        if name not in trees:
            trees[name], imported = _parsed(name)
            waiting += imported
    with suppress(OSError):  # an environment that is read-only
        write_if_changed(MEMORY, json.dumps(_memory(), sort_keys=True))
    digest = hashlib.sha256()
    for name in sorted(trees):
        digest.update(f"{name}\0{trees[name]}\0".encode())
    return digest.hexdigest()[:16]


@functools.cache
def _memory() -> dict[str, tuple[str, str, list[str]]]:
    """Return the cache by file: digest of its bytes, digest of its syntax tree, imported names."""
    try:
        return dict(json.loads(MEMORY.read_bytes()))
    except (OSError, ValueError, TypeError):
        return {}


@functools.cache
def _parsed(name: str) -> tuple[str, tuple[str, ...]]:
    """Return the digest of a file's syntax tree, and the imported files of the project."""
    content = (_ROOT / name).read_bytes()
    # Another Python makes another tree of the same code.
    source = hashlib.sha256(sys.version.encode() + content).hexdigest()
    if name not in _memory() or _memory()[name][0] != source:
        _memory()[name] = source, *_tree_and_imports(content)
    _, tree, imported = _memory()[name]
    return tree, tuple(filter(None, map(_module_file, imported)))


def _tree_and_imports(content: bytes) -> tuple[str, list[str]]:
    tree = ast.parse(content)
    names: set[str] = set()
    for node in ast.walk(tree):
        _drop_docstring(node)
        if isinstance(node, ast.Import):
            names |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and node.module and not node.level:
            names |= {node.module} | {f"{node.module}.{alias.name}" for alias in node.names}
    return hashlib.sha256(ast.dump(tree).encode()).hexdigest(), sorted(names)


def _drop_docstring(node: ast.AST) -> None:
    if isinstance(node, ast.Module | ast.ClassDef | ast.FunctionDef | ast.AsyncFunctionDef):
        kept = [
            part
            for part in node.body
            if not (isinstance(part, ast.Expr) and isinstance(part.value, ast.Constant))
        ]
        node.body = kept or [ast.Pass()]


def _module_file(name: str) -> str | None:
    """Return the file of a module, if it belongs to the project and is counted."""
    if name.endswith(_WORDS_ALONE):
        return None
    base = name.replace(".", "/")
    for file in (f"{base}.py", f"{base}/__init__.py"):
        if os.path.isfile(f"{_ROOT}/{file}"):
            return file
    return None
