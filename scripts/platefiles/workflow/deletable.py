"""Products that may be deleted: recorded by a run, unchanged since, and still the listed file."""

import os
from collections.abc import Collection, Iterable, Mapping
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

from platefiles.core.errors import UserError
from platefiles.core.hashing import file_sha256
from platefiles.provenance.integrity import fault
from platefiles.provenance.job_notes import read_note
from platefiles.provenance.record import read_record, results_of
from platefiles.provenance.xmp import PICTURES, read_origin
from platefiles.workflow.graph import Product

_CHANGED = "it was changed since it was made"
_RECORDED = (".fits", *PICTURES)


@dataclass(frozen=True)
class Candidate:
    """A file in the results of a project that may be deleted.

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
    names : int
        Number of its names on the disk (hard links).
    """

    path: str
    size_bytes: int
    kept: str
    gone: bool
    sign: tuple[int, int, int]
    names: int = 1


def candidates(
    results: str | Path,
    paths: Iterable[str | Path],
    products: Mapping[str, Product] | Collection[str],
    fingerprints: Collection[str],
) -> list[Candidate]:
    """Check every byte of files, and whether their raw frames exist.

    Parameters
    ----------
    results : path-like
        Results of the project.
    paths : iterable of path-like
        Existing files.
    products : mapping of str to Product, or collection of str
        The products of the plan by path. Tables and overviews need the mapping, since they have no
        record of their own.
    fingerprints : collection of str
        Fingerprints of all existing raw frames.
    """
    root = Path(results)
    plan = products if isinstance(products, Mapping) else {}
    needs = {os.fspath(path): _needs(root, Path(path), plan) for path in paths}
    gone: dict[str, bool] = {}

    def is_gone(path: str) -> bool:
        """For a file without a record of raw frames, whether its inputs are gone."""
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
        one = Candidate(name, info.st_size, need.kept, is_gone(name), sign, info.st_nlink)
        found.append(one)
    return found


def delete(candidate: Candidate) -> bool:
    """Delete a file and emptied folders; return False if the file was replaced.

    Raises
    ------
    OSError
        If the file cannot be deleted.
    """
    info = os.lstat(candidate.path)
    if (info.st_ino, info.st_size, info.st_mtime_ns) != candidate.sign:
        return False
    os.unlink(candidate.path)
    with suppress(OSError):
        for folder in list(Path(candidate.path).parents)[:2]:
            folder.rmdir()  # refused where something is in it
    return True


@dataclass(frozen=True)
class _Needs:
    """The inputs of a file by its own record, and the reason to keep it."""

    kept: str = ""
    raws: tuple[str, ...] = ()
    below: tuple[str, ...] = ()


def _needs(root: Path, path: Path, plan: Mapping[str, Product]) -> _Needs:
    if path.suffix not in _RECORDED:
        return _needs_by_note(path, plan.get(os.fspath(path)))
    try:
        if path.suffix in PICTURES:
            making = read_origin(path).making
            if making is None:
                planned = plan.get(os.fspath(path))
                none = _Needs("it has no provenance record")
                return none if planned is None else _needs_by_note(path, planned)
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
    return _Needs(_CHANGED) if fault(path) else needs


def _needs_by_note(path: Path, product: Product | None) -> _Needs:
    """Return the inputs of a file by the plan; the note of its job tells its bytes."""
    note = read_note(product.note) if product is not None else None
    if product is None or note is None:
        return _Needs("no run recorded it")
    return _Needs(below=product.inputs) if note.sha256 == file_sha256(path) else _Needs(_CHANGED)
