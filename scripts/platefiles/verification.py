"""Whether products, pictures and raw frames are still what the records of the products say."""

import os
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from platefiles.errors import UserError
from platefiles.fetching import POINTER_ENDING
from platefiles.fitsblocks import content_digest
from platefiles.integrity import PICTURES, fault, is_of_a_run
from platefiles.known_frames import paths_in_sheet
from platefiles.noted_plan import left_over
from platefiles.provenance import file_sha256, lock_digest
from platefiles.record import RawRecord, read_record, results_of
from platefiles.xmp import read_origin

OK, CHANGED, MISSING = "ok", "changed", "missing"
_NO_PRODUCTS = {"links", "fetched", "objects", "logs", "benchmarks"}


@dataclass(frozen=True)
class Finding:
    """What was found out about a file.

    Attributes
    ----------
    kind : str
        product, picture or raw frame.
    name : str
        Path of the file; of a raw frame that is not there, its name inside the raw folder.
    state : str
        ok, changed or missing.
    why : str
        What is wrong, as a sentence goes on.
    """

    kind: str
    name: str
    state: str
    why: str = ""


@dataclass
class Verification:
    """What `verify` found.

    Attributes
    ----------
    findings : list of Finding
    other_locks : dict of str to list of str
        By the digest of a lock file of the environment that is not that of this checkout: what
        was made under it.
    gone : set of str
        Products on the way from the raw frames that are not kept; they can be made again.
    left_over : list of str
        Products of an earlier plan than that of the last run. Neither what else they were made
        from nor a raw frame that they alone need is missed.
    lost : list of str
        Names of raw frames that are not there and that they alone need.
    """

    findings: list[Finding] = field(default_factory=list)
    other_locks: dict[str, list[str]] = field(default_factory=dict)
    gone: set[str] = field(default_factory=set)
    left_over: list[str] = field(default_factory=list)
    lost: list[str] = field(default_factory=list)

    def count(self, state: str) -> int:
        """Number of files in a state."""
        return sum(finding.state == state for finding in self.findings)


def verify(paths: Sequence[str | Path], raw_folders: Sequence[str | Path] = ()) -> Verification:
    """Look at each byte of products, of what they were made from, and of raw frames.

    Parameters
    ----------
    paths : sequence of path-like
        Products, pictures, or folders, searched with all folders inside.
    raw_folders : sequence of path-like
        Where raw frames are; without, they are looked for where the frame sheet and the links of
        the project lead.

    Raises
    ------
    UserError
        If a path is not there, is no product, or a folder holds none.
    """
    done = Verification()
    faults: dict[Path, str] = {}
    told: dict[Path, _Told] = {}
    waiting = list(_files(paths))
    while waiting:
        path = waiting.pop(0)
        if path in faults:
            continue
        faults[path] = fault(path)
        if not faults[path]:
            told[path] = _told_by(path)
            waiting += [other for other in told[path].made_from if other.is_file()]
    left = left_over({path: facts.root for path, facts in told.items()})
    done.left_over = [os.fspath(path) for path in told if path in left]
    for path, why in faults.items():
        why = why or ("" if path in left else _other_state(told[path], faults))
        kind = "picture" if path.suffix in PICTURES else "product"
        done.findings.append(Finding(kind, os.fspath(path), CHANGED if why else OK, why))
    for path, facts in told.items():
        if facts.lock != lock_digest():
            done.other_locks.setdefault(facts.lock, []).append(os.fspath(path))
        if path not in left:
            done.gone |= {os.fspath(other) for other in facts.made_from if other not in faults}
    places = _RawPlaces(raw_folders, {facts.root for facts in told.values() if facts.root})
    needed = {key for path, facts in told.items() if path not in left for key in facts.raws}
    raws = {sha256: raw for facts in told.values() for sha256, raw in facts.raws.items()}
    for sha256, raw in raws.items():
        finding = places.finding(raw)
        if finding.state == OK or sha256 in needed:
            done.findings.append(finding)
        else:
            done.lost.append(raw.name)
    return done


@dataclass(frozen=True)
class _Told:
    """What an intact file tells: its lock, the results it lies in, and what it was made from.

    The digest of each file that it was made from is either of all bytes or of the headers.
    """

    lock: str
    root: Path | None
    raws: dict[str, RawRecord]
    made_from: dict[Path, str]
    digest: Callable[[Path], str]


def _files(paths: Iterable[str | Path]) -> Iterator[Path]:
    for path in map(Path, paths):
        if path.is_dir():
            found = sorted(_products_in(path))
            if not found:
                msg = f"{path}: holds no product of a run; name a folder of results"
                raise UserError(msg)
            yield from found
        elif not path.is_file():
            msg = f"{path}: is not there; name products, pictures, or folders of them"
            raise UserError(msg)
        elif not is_of_a_run(path):
            msg = f"{path}: is no product of a run; give folders of raw frames with --raw"
            raise UserError(msg)
        else:
            yield path


def _products_in(folder: Path) -> Iterator[Path]:
    for place, folders, names in os.walk(folder):
        folders[:] = [name for name in folders if name not in _NO_PRODUCTS]
        for path in (Path(place, name) for name in names if not name.startswith(".")):
            if is_of_a_run(path):
                yield path


def _told_by(path: Path) -> _Told:
    if path.suffix in PICTURES:
        origin = read_origin(path)
        making = origin.making
        root = results_of(path, making.product) if making else None
        made_from = {}
        if making and root:
            made_from = {root / name: origin.digest_of(name) for name in making.products}
        return _Told(making.lock if making else "", root, {}, made_from, file_sha256)
    record = read_record(path)
    root = results_of(path, record.making.product)
    others = [m for m in record.makings.values() if m is not record.making and m.digest]
    made_from = {root / making.product: making.digest for making in others} if root else {}
    return _Told(record.making.lock, root, record.raws, made_from, content_digest)


def _other_state(told: _Told, faults: Mapping[Path, str]) -> str:
    """Name what is there and intact, but not what the product was made from."""
    for path, digest in told.made_from.items():
        if faults.get(path) == "" and told.digest(path) != digest:
            return f"was made from another {path} than is there now"
    return ""


class _RawPlaces:
    """Where raw frames may be, by the ends of their paths and by size."""

    def __init__(self, folders: Sequence[str | Path], roots: Iterable[Path]):
        found = self._in_folders(folders) if folders else self._behind_links(roots)
        self._paths = sorted({*found})
        self._pointers = any(path.endswith(POINTER_ENDING) for path in self._paths)
        self._by_name: dict[str, list[str]] = {}
        self._by_size: dict[int, list[str]] = {}
        self._digests: dict[str, str] = {}
        for path in self._paths:
            self._by_name.setdefault(os.path.basename(path), []).append(path)
            self._by_size.setdefault(os.stat(path).st_size, []).append(path)

    @staticmethod
    def _in_folders(folders: Sequence[str | Path]) -> Iterator[str]:
        for folder in folders:
            if not os.path.isdir(folder):
                msg = f"--raw {folder}: is no folder; name the folder that the raw frames are in"
                raise UserError(msg)
            for place, _, names in os.walk(folder):
                yield from (path for n in names if os.path.isfile(path := os.path.join(place, n)))

    @staticmethod
    def _behind_links(roots: Iterable[Path]) -> Iterator[str]:
        for root in roots:
            links = root / "links"
            targets = [os.path.realpath(link) for link in links.iterdir()] if links.is_dir() else []
            targets += paths_in_sheet(root / "frames.tsv")  # which lists unused ones, too
            yield from (target for target in targets if os.path.isfile(target))

    def finding(self, raw: RawRecord) -> Finding:
        """Look for a raw frame, and at each byte of it."""
        named = self._by_name.get(os.path.basename(raw.name), [])
        named = [path for path in named if path.endswith(f"/{raw.name}")]
        for path in (*named, *self._by_size.get(raw.size_bytes, [])):
            if self._digest(path) == raw.sha256:
                return Finding("raw frame", path, OK)
        if named:
            return Finding("raw frame", named[0], CHANGED, "its SHA-256 is another one")
        why = "not found; name the folder of the raw frames with --raw"
        if self._pointers:
            why = "lies in object storage; fetch it and name its folder with --raw"
        return Finding("raw frame", raw.name, MISSING, why)

    def _digest(self, path: str) -> str:
        if path not in self._digests:
            self._digests[path] = file_sha256(path)
        return self._digests[path]
