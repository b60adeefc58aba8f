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
    """Write the list of products of a run's plan.

    Parameters
    ----------
    results : path-like
        Results of the project.
    products : iterable of str
        Paths; paths outside the results, such as the lock file, are skipped.
    """
    start = f"{os.fspath(results)}/"
    names = sorted(path.removeprefix(start) for path in products if path.startswith(start))
    with suppress(OSError):  # products will say that the disk is full
        write_if_changed(Path(results, NOTED), "".join(f"{name}\n" for name in names))


def noted_products(results: Path) -> frozenset[str] | None:
    """Return the products of the last run's plan, relative to the results; None without a list."""
    try:
        return frozenset((results / NOTED).read_text(encoding="utf-8").splitlines())
    except (OSError, ValueError):
        return None


def left_over(roots: Mapping[Path, Path | None]) -> set[Path]:
    """Return the products missing from the plan of the last run of their project.

    Parameters
    ----------
    roots : mapping of Path to Path or None
        Results folder of each file; None for a file elsewhere.
    """
    plans = {root: noted_products(root) for root in {*roots.values()} if root is not None}
    found = set()
    for path, root in roots.items():
        plan = plans[root] if root is not None else None
        if plan is not None and root is not None and path.relative_to(root).as_posix() not in plan:
            found.add(path)
    return found
