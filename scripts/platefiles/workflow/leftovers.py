"""Products of an earlier plan, which no rule of the project makes any more.

A channel that left the project's file, a night that vanished, cosmic rays of a channel that has got
enough subs, a picture of another name: their products stay, since nothing is deleted unasked.
"""

import os
from collections.abc import Collection, Iterator
from pathlib import Path

from platefiles.plan.paths import PREVIOUS
from platefiles.provenance.integrity import is_of_a_run
from platefiles.workflow.deletable import Candidate, candidates

NO_PRODUCTS = frozenset({"links", "fetched", "objects", "logs", "benchmarks", PREVIOUS})
"""Folders in the results of a project that hold no products of its plan."""


def find_leftovers(
    results: str | Path, products: Collection[str], fingerprints: Collection[str]
) -> list[Candidate]:
    """Find products in the results of a project that are not in its plan.

    Every byte of these files is checked.

    Parameters
    ----------
    results : path-like
        Results of the project.
    products : collection of str
        Paths of the products of the plan.
    fingerprints : collection of str
        Fingerprints of all existing raw frames.
    """
    paths = [path for path in products_in(Path(results)) if os.fspath(path) not in products]
    return candidates(results, paths, products, fingerprints)


def products_in(folder: Path) -> Iterator[Path]:
    """Yield the files below a folder that are marked as products or pictures, by name.

    Links, hidden files and folders without products are skipped.
    """
    for place, folders, names in os.walk(folder):
        folders[:] = sorted(n for n in folders if n not in NO_PRODUCTS and n[0] != ".")
        for name in sorted(names):
            path = Path(place, name)
            if name[0] != "." and not path.is_symlink() and is_of_a_run(path):
                yield path
