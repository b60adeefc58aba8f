"""The note of the products in the plan of a project's last run.

It tells products of an earlier plan from the others where the project's file is not at hand.
"""

import os
from collections.abc import Iterable, Mapping
from contextlib import suppress
from pathlib import Path

from platefiles.core.atomic_write import write_if_changed

NOTED = ".products"
"""Hidden file in the results of a project: the products of the plan of its last run."""


def note_products(results: str | Path, products: Iterable[str]) -> None:
    """Note which products the plan of a run has.

    Parameters
    ----------
    results : path-like
        Results of the project.
    products : iterable of str
        Paths; those elsewhere, such as that of the lock file, are passed over.
    """
    start = f"{os.fspath(results)}/"
    names = sorted(path.removeprefix(start) for path in products if path.startswith(start))
    with suppress(OSError):  # products will say that the disk is full
        write_if_changed(Path(results, NOTED), "".join(f"{name}\n" for name in names))


def noted_products(results: Path) -> frozenset[str] | None:
    """Return the products of the plan of the last run, inside the results; None if none tells."""
    try:
        return frozenset((results / NOTED).read_text(encoding="utf-8").splitlines())
    except (OSError, ValueError):
        return None


def left_over(roots: Mapping[Path, Path | None]) -> set[Path]:
    """Return the products that the plan of the last run of their project does not have.

    Parameters
    ----------
    roots : mapping of Path to Path or None
        Results in which each file has the place of a product; None for a file elsewhere.
    """
    plans = {root: noted_products(root) for root in {*roots.values()} if root is not None}
    found = set()
    for path, root in roots.items():
        plan = plans[root] if root is not None else None
        if plan is not None and root is not None and path.relative_to(root).as_posix() not in plan:
            found.add(path)
    return found
