"""The record that each product carries: all jobs and raw frames from which it came.

It lies in the last HDU, ``RECORD``: canonical JSON, one byte an element, so that any reader of
FITS gets at it (``fits.getdata(path, "RECORD").tobytes()``). With the raw frames it suffices to
make the product again. It tells nothing of clocks, places on a disk, processors or earlier runs.
"""

import json
import os
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, field, replace
from functools import cached_property
from pathlib import Path, PurePath, PurePosixPath
from typing import Any

import numpy as np
from astropy.io import fits

from platefiles.errors import UserError
from platefiles.fitsblocks import Block, BrokenFits, content_digest, read_blocks
from platefiles.provenance import canonical, creator, digest, lock_digest, software

EXTNAME = "RECORD"
RAW, TEXT = "raw:", "text:"
"""How an input is named that is a raw frame, or a text that the making holds itself."""

_FORMAT = 1
_DAMAGES = (ValueError, TypeError, LookupError, AttributeError, StopIteration, RecursionError)
_PLACES = {
    "master_bias": "calibration/{master}.fits",
    "master_dark": "calibration/{master}.fits",
    "master_flat": "calibration/{master}.fits",
    "calibrate_sub": "calibrated/{parent}/{name}",
    "measure": "measures/{channel}/{night}.fits",
    "register": "registration/{channel}.fits",
    "register_sub": "registered/{parent}/{name}",
    "find_cosmic_rays": "cosmic_rays/{channel}/{night}.fits",
    "integrate": "channels/{channel}.fits",
    "map_channels": "picture/{name}",
    "composite": "picture/{name}",
}
"""Where a step's product lies inside the project's results: by the job, where that tells."""


@dataclass(frozen=True)
class Making:
    """One job that was run.

    Attributes
    ----------
    product : str
        Path inside the results of the project, such as ``channels/ha.fits``; a path that no run
        makes for what `measured_alone` describes.
    step : str
        The rule, and the script of that name.
    job : str
        The job as the step got it: canonical JSON.
    creator, lock, software : str
        As in ``CREATOR``, ``LOCKDIG`` and ``SOFTWARE``.
    inputs : dict of str to tuple of str
        By the name that the rule gives an input, in order: ``raw:`` and the SHA-256 of a raw
        frame, ``text:`` and a key of ``texts``, or the product of another making.
    digest : str
        SHA-256 over the headers of the product, `platefiles.fitsblocks.content_digest`; empty
        where no such file was kept.
    texts : dict of str to str
        Content of files that are neither raw frames nor products: the lock file, as far as the
        step needs it.
    """

    product: str
    step: str
    job: str
    creator: str
    lock: str
    software: str
    inputs: dict[str, tuple[str, ...]]
    digest: str = ""
    texts: dict[str, str] = field(default_factory=dict)

    @property
    def products(self) -> list[str]:
        """Makings whose products this one was made from."""
        named = [name for names in self.inputs.values() for name in names]
        return [name for name in named if not name.startswith((RAW, TEXT))]

    @property
    def raws(self) -> list[str]:
        """SHA-256 of the raw frames that this one was made from."""
        named = [name for names in self.inputs.values() for name in names]
        return [name.removeprefix(RAW) for name in named if name.startswith(RAW)]


@dataclass(frozen=True)
class RawRecord:
    """A raw frame.

    Attributes
    ----------
    sha256 : str
        Of the file's bytes.
    name : str
        Path inside the raw folder, as in ``frames.tsv``.
    size_bytes : int
    kind : str
        bias, dark, flat or light.
    fingerprint : str
        As in ``frames.tsv``.
    """

    sha256: str
    name: str
    size_bytes: int
    kind: str
    fingerprint: str


@dataclass(frozen=True)
class Record:
    """How a product came to be.

    Attributes
    ----------
    makings : dict of str to Making
        By product, each after those that it is made from; the last is that of the product itself.
    raws : dict of str to RawRecord
        By SHA-256.
    """

    makings: dict[str, Making]
    raws: dict[str, RawRecord]

    @property
    def making(self) -> Making:
        """The making of the product itself."""
        return next(reversed(self.makings.values()))

    @cached_property
    def text(self) -> str:
        """The record as it stands in the product, which cannot hold its own digest."""
        return _encoded(self)

    @property
    def id(self) -> str:
        """Digest of the record, by which pictures name it."""
        return digest(self.text)

    def of(self, product: str) -> "Record":
        """Return the record of one of the products in this one."""
        wanted, waiting = set(), [product]
        while waiting:
            name = waiting.pop()
            if name not in wanted:
                wanted.add(name)
                waiting += self.makings[name].products
        makings = {name: m for name, m in self.makings.items() if name in wanted}
        makings[product] = makings.pop(product)
        raws = {sha256 for making in makings.values() for sha256 in making.raws}
        return Record(makings, {sha256: r for sha256, r in self.raws.items() if sha256 in raws})


def raw_record(
    kind: str, facts: Mapping[str, Any], sha256: str, path: str | os.PathLike[str]
) -> RawRecord:
    """Return what is recorded of a raw frame.

    Parameters
    ----------
    kind : str
        bias, dark, flat or light.
    facts : mapping
        Its row in the job: ``name`` and ``fingerprint``.
    sha256 : str
    path : path-like
        The file, for its size.
    """
    return RawRecord(sha256, facts["name"], os.stat(path).st_size, kind, facts["fingerprint"])


Inputs = Mapping[str, Sequence["str | Path | RawRecord | Record"]]
"""By the name that the rule gives the input: files of products, raw frames, or records."""


def record_hdu(
    step: str,
    path: str | Path,
    job: Mapping[str, Any],
    inputs: Inputs,
    texts: Mapping[str, str] | None = None,
) -> fits.ImageHDU:
    """Return the HDU that a step appends to its product.

    Parameters
    ----------
    step : str
        Name of the rule.
    path : path-like
        Where the product goes; at most the end of it is used.
    job : mapping
        The rule's job.
    inputs : mapping of str to sequence
        By the name that the rule gives the input, in the order of the rule.
    texts : mapping of str to str, optional
        By the name that the rule gives the input, content of what is no product.

    Raises
    ------
    UserError
        If a product among the inputs has no record.
    """
    record = record_of_inputs(step, path, job, inputs, texts)
    data = np.frombuffer(record.text.encode("ascii"), dtype=np.uint8)
    return fits.ImageHDU(data, name=EXTNAME)


def record_of_inputs(
    step: str,
    path: str | Path,
    job: Mapping[str, Any],
    inputs: Inputs,
    texts: Mapping[str, str] | None = None,
) -> Record:
    """Put together the record of a product; see `record_hdu`."""
    makings: dict[str, Making] = {}
    raws: dict[str, RawRecord] = {}
    named = {key: tuple(_taken(makings, raws, one) for one in many) for key, many in inputs.items()}
    named |= {key: (f"{TEXT}{key}",) for key in texts or {}}
    making = single_making(step, path, job, named, texts)
    return Record({**makings, making.product: making}, raws)


def single_making(
    step: str,
    path: str | Path,
    job: Mapping[str, Any],
    inputs: Mapping[str, tuple[str, ...]],
    texts: Mapping[str, str] | None = None,
) -> Making:
    """Return a making by the software that runs; inputs as they stand in `Making`."""
    made_by = (creator(), lock_digest(), software())
    product = product_name(step, path, job)
    return Making(product, step, canonical(job), *made_by, dict(inputs), texts=dict(texts or {}))


def measured_alone(record: Record, sub_id: str) -> Record:
    """Return the record of a night's measures as if one sub had been the only one.

    A channel that was laid on the grid of another one's sub knows of that sub and of no other of
    its night, so that more subs there leave its product the same, byte for byte.

    Parameters
    ----------
    record : Record
        Of measures.
    sub_id : str
        One of their subs.
    """
    making = record.making
    job = json.loads(making.job)
    number, facts = next((i, row) for i, row in enumerate(job["subs"]) if row["id"] == sub_id)
    stems = {facts[kind] for kind in ("bias", "dark", "flat")}
    masters = tuple(name for name in making.inputs["masters"] if PurePath(name).stem in stems)
    below = [record.makings[name].job for name in masters]
    job |= {"subs": [facts], "below": digest(canonical(below))}
    alone = replace(
        making,
        product=f"{making.product.removesuffix('.fits')}_{sub_id}.fits",
        job=canonical(job),
        inputs={"raw": (making.inputs["raw"][number],), "masters": masters},
        digest="",
    )
    return Record({**record.makings, alone.product: alone}, record.raws).of(alone.product)


def product_name(step: str, path: str | Path, job: Mapping[str, Any]) -> str:
    """Path of a product inside the results of its project."""
    path = Path(path)
    return _PLACES[step].format(**{**job, "parent": path.parent.name, "name": path.name})


def read_record(path: str | Path) -> Record:
    """Read the record of a product; its last making has the digest of the file itself.

    Raises
    ------
    UserError
        If the file has no record that can be read.
    """
    try:
        block = _block_of_record(path)
        with open(path, "rb") as file:
            file.seek(block.data_start)
            record = _decoded(file.read(block.data_bytes))
        making = replace(record.making, digest=content_digest(path))
    except BrokenFits as error:
        msg = f"{path}: {error}; name a FITS file that a run has made, or make it again"
        raise UserError(msg) from None
    except _DAMAGES as error:
        msg = f"{path}: its record is damaged; make the file again from the raw frames"
        raise UserError(msg) from error
    record.makings[making.product] = making
    return record


def has_record(path: str | Path) -> bool:
    """Say whether a file carries a record."""
    try:
        _block_of_record(path)
    except BrokenFits:
        return False
    return True


def _block_of_record(path: str | Path) -> Block:
    for block in reversed(read_blocks(path)):
        if block.name == EXTNAME:
            return block
    msg = "carries no record of how it was made"
    raise BrokenFits(msg)


def _taken(
    makings: dict[str, Making], raws: dict[str, RawRecord], given: str | Path | RawRecord | Record
) -> str:
    """Take an input with all that it was made from into a record, and return its name there."""
    if isinstance(given, RawRecord):
        raws.setdefault(given.sha256, given)
        return f"{RAW}{given.sha256}"
    record = given if isinstance(given, Record) else read_record(given)
    for sha256, raw in record.raws.items():
        raws.setdefault(sha256, raw)
    names: dict[str, str] = {}
    for product, making in record.makings.items():
        renamed = {
            key: tuple(names.get(name, name) for name in many)
            for key, many in making.inputs.items()
        }
        names[product] = _added(makings, replace(making, inputs=renamed))
    return names[record.making.product]


def _added(makings: dict[str, Making], making: Making) -> str:
    """Add a making; one that differs from what has its name already gets a folder of its own."""
    known = makings.setdefault(making.product, making)
    if known == making:
        return making.product
    other = f"{digest(canonical(asdict(making)))}/{making.product}"
    makings.setdefault(other, replace(making, product=other))
    return other


def _encoded(record: Record) -> str:
    """Return a record as canonical JSON.

    What jobs have in common, the facts of each sub, stands there once, and jobs, makings and raw
    frames are referred to by their numbers.
    """
    pool: dict[str, int] = {}
    facts: list[Any] = []

    def number(row: Mapping[str, Any]) -> int:
        key = canonical(row)
        if key not in pool:
            pool[key] = len(facts)
            facts.append(row)
        return pool[key]

    numbers = {f"{RAW}{sha256}": i for i, sha256 in enumerate(record.raws)}
    makings = []
    for making in record.makings.values():
        job = json.loads(making.job)
        for key in ("subs", "frames"):
            if key in job:
                job[key] = [number(row) for row in job[key]]
        if "sub" in job:
            job["sub"] = number(job["sub"])
        inputs = {
            key: [numbers.get(name, name) for name in many] for key, many in making.inputs.items()
        }
        own = making is record.making
        plain = {**asdict(making), "job": job, "inputs": inputs}
        makings.append({**plain, "digest": "" if own else making.digest})
    raws = [list(asdict(raw).values()) for raw in record.raws.values()]
    return canonical({"format": _FORMAT, "makings": makings, "raws": raws, "facts": facts})


def _decoded(content: bytes) -> Record:
    data = json.loads(content)
    if data["format"] != _FORMAT:
        msg = "another format of records"
        raise ValueError(msg)
    raws = {raw.sha256: raw for raw in (_raw(row) for row in data["raws"])}
    names = [f"{RAW}{sha256}" for sha256 in raws]
    makings = (_making(row, data["facts"], names) for row in data["makings"])
    return Record({making.product: making for making in makings}, raws)


def _making(row: Mapping[str, Any], facts: Sequence[Any], names: Sequence[str]) -> Making:
    job = dict(row["job"])
    for key in ("subs", "frames"):
        if key in job:
            job[key] = [facts[number] for number in job[key]]
    if "sub" in job:
        job["sub"] = facts[job["sub"]]
    inputs = {
        key: tuple(names[name] if isinstance(name, int) else name for name in many)
        for key, many in row["inputs"].items()
    }
    return making_of({**row, "job": canonical(job), "inputs": inputs})


def making_of(row: Mapping[str, Any]) -> Making:
    """Return a making that was read from a file, which may be anybody's.

    Raises
    ------
    ValueError, TypeError, KeyError
        If it is none, or its product lies outside of the results.
    """
    inputs = {key: tuple(names) for key, names in row["inputs"].items()}
    making = Making(**{**row, "inputs": inputs})
    texts = [value for key, value in asdict(making).items() if key not in ("inputs", "texts")]
    texts += [*making.texts.values(), *(name for names in inputs.values() for name in names)]
    place = PurePosixPath(making.product)
    outside = place.is_absolute() or ".." in place.parts or not place.parts
    if outside or not all(isinstance(text, str) for text in texts):
        msg = "no making of a product"
        raise ValueError(msg)
    return making


def _raw(row: Sequence[Any]) -> RawRecord:
    raw = RawRecord(*row)
    texts = (raw.sha256, raw.name, raw.kind, raw.fingerprint)
    if not isinstance(raw.size_bytes, int) or not all(isinstance(text, str) for text in texts):
        msg = "no raw frame"
        raise ValueError(msg)
    return raw
