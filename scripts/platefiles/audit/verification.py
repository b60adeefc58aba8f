"""Check products, pictures and raw frames against the records of the products."""

import os
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path

from platefiles.audit.findings import (
    CHANGED,
    LOCK,
    LOG,
    MISSING,
    NOTE,
    OK,
    PICTURE,
    PRODUCT,
    SHEET,
    SIGNATURE,
    TABLE,
    Finding,
    Verification,
)
from platefiles.audit.raw_places import RawPlaces
from platefiles.core.errors import UserError
from platefiles.core.hashing import file_sha256
from platefiles.digests.digest_sheet import NAME
from platefiles.digests.previous_pictures import is_previous
from platefiles.digests.sheet_checks import DigestSheets
from platefiles.digests.signatures import SSH, Signer, signatures_of, signer_of
from platefiles.fits.checksums import data_digests
from platefiles.fits.hdu_layout import headers_digest, read_blocks
from platefiles.provenance.activities import RawRecord
from platefiles.provenance.header_provenance import lock_digest
from platefiles.provenance.integrity import is_of_a_run
from platefiles.provenance.record import read_record, results_of
from platefiles.provenance.xmp import PICTURES, Origin, read_origin
from platefiles.workflow.noted_plan import left_over

_NO_PRODUCTS = {"links", "fetched", "objects", "logs", "benchmarks"}
_ENDINGS = {".fits": PRODUCT, **dict.fromkeys(PICTURES, PICTURE), ".log": LOG, ".yaml": LOCK}
_SELF_TELLING = (".fits", *PICTURES)
_THREADS = 8


def verify(
    paths: Sequence[str | Path],
    raw_folders: Sequence[str | Path] = (),
    signers: str | Path | None = None,
) -> Verification:
    """Check every byte of products, of their inputs and of raw frames.

    Parameters
    ----------
    paths : sequence of path-like
        Products, pictures, or folders. Folders are searched recursively, and every file that their
        sheets of digests list is checked.
    raw_folders : sequence of path-like
        Folders of raw frames; by default those of the project's list of frames and links.
    signers : path-like, optional
        Allowed signers, as for `platefiles.digests.signatures.signer_of`. If given, a sheet of
        digests that none of them signed is a fault.

    Raises
    ------
    UserError
        If a path is missing or is not a product, or a folder holds no product.
    """
    done, sheets, present = Verification(), DigestSheets(), cache(_present)
    with ThreadPoolExecutor(_THREADS) as pool:
        faults, told = _followed([*_files(paths, sheets)], sheets, pool)
        _name_provisional(done, told, sheets)
        left = left_over({path: facts.root for path, facts in told.items()})
        done.left_over = [os.fspath(path) for path in told if path in left]
        earlier = left | {path for path in told if is_previous(path)}
        wanted = {path: facts for path, facts in told.items() if path not in earlier}
        for path, why in faults.items():
            if not why and path in wanted:
                why = _other_state(wanted[path], faults, present)
            kind = _ENDINGS.get(path.suffix, TABLE)
            done.findings.append(Finding(kind, os.fspath(path), CHANGED if why else OK, why))
        _hold_against_sheets(done, told, sheets)
        for sheet in sheets.opened:
            _look_at_signatures(done, sheet.path, None if signers is None else Path(signers))
        for path, facts in told.items():
            if facts.lock != lock_digest():
                done.other_locks.setdefault(facts.lock, []).append(os.fspath(path))
        for facts in wanted.values():
            done.gone |= {os.fspath(other) for other in facts.made_from if other not in faults}
        places = RawPlaces(raw_folders, {facts.root for facts in told.values() if facts.root})
        needed = {sha256 for facts in wanted.values() for sha256 in facts.raws}
        raws = {sha256: raw for facts in told.values() for sha256, raw in facts.raws.items()}
        for finding, (sha256, raw) in zip(
            pool.map(places.finding, raws.values()), raws.items(), strict=True
        ):
            if finding.state == OK or sha256 in needed:
                done.findings.append(finding)
            else:
                done.lost.append(raw.name)
    return done


def _followed(
    waiting: list[Path], sheets: DigestSheets, pool: ThreadPoolExecutor
) -> tuple[dict[Path, str], "dict[Path, _Told]"]:
    """Check files and all their inputs; return faults and recorded facts."""
    faults: dict[Path, str] = {}
    told: dict[Path, _Told] = {}
    while waiting:
        fresh = [path for path in dict.fromkeys(waiting) if path not in faults]
        faults |= zip(fresh, pool.map(sheets.fault, fresh), strict=True)
        whole = [path for path in fresh if not faults[path] and path.suffix in _SELF_TELLING]
        told |= {path: _told_by(path) for path in whole}
        waiting = [p for path in whole for p in told[path].made_from if p.is_file()]
    return faults, told


def _name_provisional(
    done: Verification, told: "Mapping[Path, _Told]", sheets: DigestSheets
) -> None:
    """Collect provisional files, from the headers of FITS files and pictures or from job notes."""
    done.provisional = {os.fspath(path) for path, facts in told.items() if facts.provisional}
    for sheet in sheets.opened:
        done.provisional |= {os.fspath(path) for path in sheet.provisional}


def _hold_against_sheets(
    done: Verification,
    told: "Mapping[Path, _Told]",
    sheets: DigestSheets,
) -> None:
    """Check files against the lists and notes; collect the files that the lists lack."""
    for sheet in sheets.opened:
        state = CHANGED if sheet.problem else OK
        done.findings.append(Finding(SHEET, os.fspath(sheet.path), state, sheet.problem))
        done.findings += [
            Finding(NOTE, os.fspath(path), CHANGED, why) for path, why in sheet.damaged_notes()
        ]
        done.unlisted |= {os.fspath(path) for path in sheet.behind}
        done.not_kept |= {os.fspath(path) for path in sheet.listed if not path.is_file()}
    for path, facts in told.items():
        if facts.root and sheets.of_folder(facts.root) is None:
            done.without_sheet.add(os.fspath(facts.root))
        elif facts.root and sheets.listing(path) is None:
            done.unlisted.add(os.fspath(path))


def _look_at_signatures(done: Verification, sheet: Path, signers: Path | None) -> None:
    found = signatures_of(sheet)
    for path in found:
        try:
            signer = signer_of(sheet, path, signers)
        except UserError as error:
            if signers is not None:
                raise
            signer = Signer(True, f"a key that was not checked: {error}")
        if signer.holds:
            done.signers[os.fspath(sheet)] = signer.who
        state, why = (OK, "") if signer.holds else (CHANGED, signer.who)
        done.findings.append(Finding(SIGNATURE, os.fspath(path), state, why))
    if signers is not None and not found:
        name = f"{os.fspath(sheet)}{SSH}"
        done.findings.append(Finding(SIGNATURE, name, MISSING, "not signed; `sign` signs it"))


@dataclass(frozen=True)
class _Told:
    """Facts read from an intact file: its lock, its results folder and its inputs.

    An input is recorded by the SHA-256 either of all its bytes or of its headers and each data
    unit.
    """

    lock: str
    root: Path | None
    raws: dict[str, RawRecord]
    made_from: dict[Path, "_Content"]
    provisional: bool


@dataclass(frozen=True)
class _Content:
    """SHA-256 of the content of a file, now or, if recorded, when a product was made from it."""

    file: str = ""
    headers: str = ""
    data: Mapping[str, str] = field(default_factory=dict)

    def other_than(self, path: Path, present: "Callable[[Path, bool], _Content]") -> str:
        """Name the changed parts of a file relative to `_present`; empty if there are none."""
        now = present(path, bool(self.file))
        if self.file:
            return "" if now.file == self.file else "its bytes"
        names = [n for n in {**self.data, **now.data} if self.data.get(n) != now.data.get(n)]
        if self.data and names:
            return f"the data of {', '.join(names)}"
        return "" if now.headers == self.headers else "its headers"


def _present(path: Path, whole: bool) -> _Content:
    """Return the present digests of a file: of all bytes, or of headers and each data unit."""
    if whole:
        return _Content(file=file_sha256(path))
    blocks = read_blocks(path)
    return _Content(headers=headers_digest(blocks), data=data_digests(blocks))


def _files(paths: Iterable[str | Path], sheets: DigestSheets) -> Iterator[Path]:
    for path in (Path(os.path.normpath(path)) for path in paths):
        if path.is_dir():
            found = sorted({*_products_in(path), *_listed_in(path, sheets)})
            if not found:
                msg = f"{path}: holds no product of a run; name a folder of results"
                raise UserError(msg)
            yield from found
        elif not path.is_file():
            msg = f"{path}: is not there; name products, pictures, or folders of them"
            raise UserError(msg)
        elif sheets.listing(path) is None and not is_of_a_run(path):
            msg = f"{path}: is not a product of a run; give folders of raw frames with --raw"
            raise UserError(msg)
        else:
            yield path


def _listed_in(folder: Path, sheets: DigestSheets) -> Iterator[Path]:
    """Return existing files that a folder's sheets list, or would list if complete."""
    for place in {folder, *(path.parent for path in folder.rglob(NAME))}:
        if (sheet := sheets.of_folder(place)) is not None:
            yield from (path for path in sheet.known if path.is_file())


def _products_in(folder: Path) -> Iterator[Path]:
    for place, folders, names in os.walk(folder):
        folders[:] = [name for name in folders if name not in _NO_PRODUCTS and name[0] != "."]
        for path in (Path(place, name) for name in names if not name.startswith(".")):
            if is_of_a_run(path):
                yield path


def _told_by(path: Path) -> _Told:
    if path.suffix in PICTURES:
        origin = read_origin(path)
        making = origin.making
        root = _results_of(path, making.product) if making else None
        made_from = {}
        if making and root:
            made_from = {root / name: _content_of(origin, name) for name in making.products}
        lock, provisional = (making.lock, making.provisional) if making else ("", False)
        return _Told(lock, root, {}, made_from, provisional)
    record = read_record(path)
    own = record.making
    root = _results_of(path, own.product)
    others = [m for m in record.makings.values() if m is not own and m.digest]
    made_from = {}
    if root:
        made_from = {
            root / making.product: _Content(headers=making.digest, data=making.data)
            for making in others
        }
    return _Told(own.lock, root, record.raws, made_from, own.provisional)


def _results_of(path: Path, product: str) -> Path | None:
    """Return the results that a file belongs to; a previous version belongs to none any more."""
    return None if is_previous(path) else results_of(path, product)


def _content_of(origin: Origin, product: str) -> _Content:
    """Return the digests of an input product of a picture."""
    drawn = origin.drawn
    if drawn is not None and product == drawn.product:
        return _Content(headers=drawn.digest, data=drawn.data)
    return _Content(file=origin.digest_of(product))


def _other_state(
    told: _Told, faults: Mapping[Path, str], present: Callable[[Path, bool], _Content]
) -> str:
    """Name inputs that are intact but differ from those of the product."""
    for path, content in told.made_from.items():
        if faults.get(path) == "" and (other := content.other_than(path, present)):
            return f"was made from another {path} than is there now: {other} differ"
    return ""
