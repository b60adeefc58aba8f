"""The content of a record, and its text in a product."""

import json
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, field
from functools import cached_property
from pathlib import PurePosixPath
from typing import Any

from platefiles.core.hashing import canonical, digest

RAW, TEXT = "raw:", "text:"
"""How an input is named that is a raw frame, or a text that the making holds itself."""

_FORMAT = 1


@dataclass(frozen=True)
class Making:
    """One completed job.

    Attributes
    ----------
    product : str
        Path inside the results of the project, such as ``channels/ha.fits``; for the output of
        `measured_alone`, a path that no run makes.
    step : str
        Name of the rule and of its script.
    job : str
        The job of the step: canonical JSON.
    creator, lock, software : str
        As in ``CREATOR``, ``LOCKDIG`` and ``SOFTWARE``.
    inputs : dict of str to tuple of str
        By input name of the rule, in order: ``raw:`` and the SHA-256 of a raw frame, ``text:`` and
        a key of ``texts``, or the product of another making.
    digest : str
        SHA-256 over the headers of the product, `platefiles.fits.hdu_layout.content_digest`; empty
        if no such file was kept.
    texts : dict of str to str
        Content of files that are neither raw frames nor products: the part of the lock file that
        the step needs.
    data : dict of str to str
        SHA-256 of each data unit of the product, `platefiles.fits.checksums.data_digests`, by the
        name of its HDU; empty if ``digest`` is.
    provisional : bool
        Whether a raw frame was not as it should be, see `platefiles.core.provisional`; False in the
        text of the product's own record, where its header tells.
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
    data: dict[str, str] = field(default_factory=dict)
    provisional: bool = False

    @property
    def products(self) -> list[str]:
        """Input products."""
        named = [name for names in self.inputs.values() for name in names]
        return [name for name in named if not name.startswith((RAW, TEXT))]

    @property
    def raws(self) -> list[str]:
        """SHA-256 of the input raw frames."""
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
    """The provenance of a product.

    Attributes
    ----------
    makings : dict of str to Making
        By product, each after its inputs; the last is the making of the product itself.
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
        """The record as stored in the product, which cannot contain its own digest."""
        return encoded(self)

    @property
    def id(self) -> str:
        """Digest of the record, used in pictures."""
        return digest(self.text)

    def of(self, product: str) -> "Record":
        """Return the record of one of the products in this record."""
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


def encoded(record: Record) -> str:
    """Return a record as canonical JSON.

    Facts shared by jobs, such as those of each sub, are stored once; jobs, makings and raw frames
    are referred to by number.
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
        plain = {**asdict(making), "job": job, "inputs": inputs}
        if making is record.making:
            plain |= {"digest": "", "data": {}, "provisional": False}
        makings.append(plain)
    raws = [list(asdict(raw).values()) for raw in record.raws.values()]
    return canonical({"format": _FORMAT, "makings": makings, "raws": raws, "facts": facts})


def decoded(content: bytes) -> Record:
    """Parse a record.

    Raises
    ------
    ValueError, TypeError, LookupError, AttributeError, RecursionError
        If the text is not a record.
    """
    data = json.loads(content)
    if data["format"] != _FORMAT:
        msg = "another format of records"
        raise ValueError(msg)
    raws = {raw.sha256: raw for raw in (_raw(row) for row in data["raws"])}
    names = [f"{RAW}{sha256}" for sha256 in raws]
    makings = [_making(row, data["facts"], names) for row in data["makings"]]
    record = Record({making.product: making for making in makings}, raws)
    if len(record.makings) < len(makings):
        msg = "one product is made twice"
        raise ValueError(msg)
    return record


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
    """Validate a making read from an untrusted file.

    Raises
    ------
    ValueError, TypeError, KeyError
        If it is not a making, or its product lies outside the results.
    """
    inputs = {key: tuple(names) for key, names in row["inputs"].items()}
    making = Making(**{**row, "inputs": inputs})
    others = ("inputs", "texts", "data", "provisional")
    texts = [value for key, value in vars(making).items() if key not in others]
    texts += [*making.texts.values(), *making.data.values()]
    texts += [name for names in inputs.values() for name in names]
    place = PurePosixPath(making.product)
    outside = place.is_absolute() or ".." in place.parts or not place.parts
    plain = all(isinstance(text, str) for text in texts) and isinstance(making.provisional, bool)
    if outside or not plain:
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
