"""Products of an earlier plan, which no rule of the project makes any more.

A channel that left the project's file, a night that vanished, cosmic rays of a channel that has got
enough subs, a picture of another name: their products stay, since nothing is deleted unasked.
"""

import os
from collections.abc import Collection, Iterator
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

from platefiles.core.errors import UserError
from platefiles.provenance.integrity import PICTURES, fault, is_of_a_run
from platefiles.provenance.record import read_record, results_of
from platefiles.provenance.xmp import read_origin

NO_PRODUCTS = frozenset({"links", "fetched", "objects", "logs", "benchmarks"})
"""Folders in the results of a project that hold no products."""


@dataclass(frozen=True)
class Leftover:
    """A file in the results of a project that its plan does not make.

    Attributes
    ----------
    path : str
    size_bytes : int
    kept : str
        Why it is not to be deleted; empty for what a run has made, and nobody changed since.
    gone : bool
        Some of its raw frames are not there any more, so nothing can make it again.
    sign : tuple of int
        What tells this file from another one that takes its place.
    """

    path: str
    size_bytes: int
    kept: str
    gone: bool
    sign: tuple[int, int, int]


def find_leftovers(
    results: str | Path, products: Collection[str], fingerprints: Collection[str]
) -> list[Leftover]:
    """Find products in the results of a project that are not in its plan.

    Every byte of these files is looked at.

    Parameters
    ----------
    results : path-like
        Results of the project.
    products : collection of str
        Paths of the products of the plan.
    fingerprints : collection of str
        Those of all raw frames that are there.
    """
    root = Path(results)
    paths = [path for path in products_in(root) if os.fspath(path) not in products]
    needs = {os.fspath(path): _needs(root, path) for path in paths}
    gone: dict[str, bool] = {}

    def is_gone(path: str) -> bool:
        """Pictures go by what they were drawn from."""
        if path in needs and path not in gone:
            gone[path] = False  # a record that refers to itself ends here
            raws, below = needs[path].raws, needs[path].below
            lost = any(raw not in fingerprints for raw in raws)
            gone[path] = lost or any(is_gone(other) for other in below)
        return gone.get(path, path not in products)

    found = []
    for name, need in needs.items():
        info = os.stat(name)
        sign = (info.st_ino, info.st_size, info.st_mtime_ns)
        found.append(Leftover(name, info.st_size, need.kept, is_gone(name), sign))
    return found


def products_in(folder: Path) -> Iterator[Path]:
    """Yield the files below a folder that bear a mark of a product or picture, by name.

    Links, hidden files and folders without products are passed over.
    """
    for place, folders, names in os.walk(folder):
        folders[:] = sorted(n for n in folders if n not in NO_PRODUCTS and n[0] != ".")
        for name in sorted(names):
            path = Path(place, name)
            if name[0] != "." and not path.is_symlink() and is_of_a_run(path):
                yield path


def delete(leftover: Leftover) -> bool:
    """Delete a leftover, and folders that are empty then; False if another file is there now.

    Raises
    ------
    OSError
        If the disk refuses.
    """
    info = os.lstat(leftover.path)
    if (info.st_ino, info.st_size, info.st_mtime_ns) != leftover.sign:
        return False
    os.unlink(leftover.path)
    with suppress(OSError):
        for folder in list(Path(leftover.path).parents)[:2]:
            folder.rmdir()  # refused where something is in it
    return True


@dataclass(frozen=True)
class _Needs:
    """The input of a file by its own record; the reason to keep it."""

    kept: str = ""
    raws: tuple[str, ...] = ()
    below: tuple[str, ...] = ()


def _needs(root: Path, path: Path) -> _Needs:
    try:
        if path.suffix in PICTURES:
            making = read_origin(path).making
            if making is None:
                return _Needs("it has no provenance record")
            product = making.product
            needs = _Needs(below=tuple(f"{root}/{name}" for name in making.products))
        else:
            record = read_record(path)
            product = record.making.product
            needs = _Needs(raws=tuple(raw.fingerprint for raw in record.raws.values()))
    except UserError:
        return _Needs("its record cannot be read")
    if results_of(path, product) != root:
        return _Needs("no run recorded it")
    return _Needs("it was changed since it was made") if fault(path) else needs
