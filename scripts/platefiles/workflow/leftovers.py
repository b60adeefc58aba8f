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
    """A file in the results of a project that is not in its plan.

    Attributes
    ----------
    path : str
    size_bytes : int
    kept : str
        Reason to keep it; empty for an unchanged file of a run.
    gone : bool
        Whether some of its raw frames are missing, so that it cannot be remade.
    sign : tuple of int
        Identity of the file, to notice a replacement.
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
    root = Path(results)
    paths = [path for path in products_in(root) if os.fspath(path) not in products]
    needs = {os.fspath(path): _needs(root, path) for path in paths}
    gone: dict[str, bool] = {}

    def is_gone(path: str) -> bool:
        """For a picture, whether its inputs are gone."""
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
    """Yield the files below a folder that are marked as products or pictures, by name.

    Links, hidden files and folders without products are skipped.
    """
    for place, folders, names in os.walk(folder):
        folders[:] = sorted(n for n in folders if n not in NO_PRODUCTS and n[0] != ".")
        for name in sorted(names):
            path = Path(place, name)
            if name[0] != "." and not path.is_symlink() and is_of_a_run(path):
                yield path


def delete(leftover: Leftover) -> bool:
    """Delete a leftover and emptied folders; return False if the file was replaced.

    Raises
    ------
    OSError
        If the file cannot be deleted.
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
    """The inputs of a file by its own record, and the reason to keep it."""

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
