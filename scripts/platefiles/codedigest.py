"""Digest of what a step does: its code and the project modules that it imports.

Comments, docstrings and layout do not count, nor do file times: a clone, a touched file or an
edited comment leaves the digest as it is.
"""

import ast
import functools
import hashlib
from pathlib import Path

_ROOT = Path(__file__).resolve().parents[1]


def code_digest(script: str) -> str:
    """Return the digest of a step.

    Parameters
    ----------
    script : str
        File name in ``scripts/``, such as ``"measure.py"``.

    Returns
    -------
    str
        16 hexadecimal digits of SHA-256 over the syntax trees of the step and of every module of
        the project that it imports, directly or not.
    """
    trees: dict[str, str] = {}
    waiting = [_ROOT / script]
    while waiting:
        path = waiting.pop()
        name = path.relative_to(_ROOT).as_posix()
        if name in trees:
            continue
        trees[name], imported = _parsed(path)
        waiting += imported
    digest = hashlib.sha256()
    for name in sorted(trees):
        digest.update(name.encode() + b"\0" + trees[name].encode() + b"\0")
    return digest.hexdigest()[:16]


@functools.cache
def _parsed(path: Path) -> tuple[str, tuple[Path, ...]]:
    tree = ast.parse(path.read_text(encoding="utf-8"))
    names: set[str] = set()
    for node in ast.walk(tree):
        _drop_docstring(node)
        if isinstance(node, ast.Import):
            names |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and node.module and not node.level:
            names |= {node.module} | {f"{node.module}.{alias.name}" for alias in node.names}
    found = {module for name in names if (module := _module_file(name)) is not None}
    return ast.dump(tree), tuple(sorted(found))


def _drop_docstring(node: ast.AST) -> None:
    if isinstance(node, ast.Module | ast.ClassDef | ast.FunctionDef | ast.AsyncFunctionDef):
        kept = [
            part
            for part in node.body
            if not (isinstance(part, ast.Expr) and isinstance(part.value, ast.Constant))
        ]
        node.body = kept or [ast.Pass()]


def _module_file(name: str) -> Path | None:
    base = _ROOT.joinpath(*name.split("."))
    for path in (base.with_suffix(".py"), base / "__init__.py"):
        if path.is_file():
            return path
    return None
