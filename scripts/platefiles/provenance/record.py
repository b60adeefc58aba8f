"""The record that each product carries: all jobs and raw frames from which it came.

It lies in the last HDU, ``RECORD``: canonical JSON, one byte an element, so that any reader of
FITS gets at it (``fits.getdata(path, "RECORD").tobytes()``). With the raw frames it suffices to
make the product again. It tells nothing of clocks, places on a disk, processors or earlier runs.
"""

import json
import os
from collections.abc import Mapping, Sequence
from dataclasses import asdict, replace
from pathlib import Path, PurePath
from typing import TYPE_CHECKING, Any

import numpy as np

from platefiles.core.errors import UserError
from platefiles.core.hashing import canonical, digest
from platefiles.core.provisional import JOB_DIGEST, PROVISIONAL, held_back
from platefiles.fits.checked_read import check_product
from platefiles.fits.checksums import data_digests
from platefiles.fits.hdu_layout import Block, BrokenFits, headers_digest, read_blocks
from platefiles.provenance.activities import RAW, TEXT, Making, RawRecord, Record, decoded
from platefiles.provenance.header_provenance import creator, lock_digest, software
from platefiles.provenance.record_checks import check_record
from platefiles.rule_files.rule_text import rules_by_step

if TYPE_CHECKING:
    from astropy.io import fits

EXTNAME = "RECORD"
_DAMAGES = (ValueError, TypeError, LookupError, AttributeError, StopIteration, RecursionError)


def raw_record(
    kind: str, facts: Mapping[str, Any], sha256: str, path: str | os.PathLike[str]
) -> RawRecord:
    """Return the record of a raw frame.

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
) -> "fits.ImageHDU":
    """Return the HDU that a step appends to its product.

    Parameters
    ----------
    step : str
        Name of the rule.
    path : path-like
        Path of the product; at most its end is used.
    job : mapping
        The rule's job.
    inputs : mapping of str to sequence
        By input name, in the order of the rule.
    texts : mapping of str to str, optional
        Content of inputs that are not products, by input name.

    Raises
    ------
    UserError
        If an input product has no record.
    """
    from astropy.io import fits  # slow to import, and not needed to read a record

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
    """Build the record of a product; see `record_hdu`."""
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
    """Return a making by the running software; inputs as in `Making`."""
    made_by = (creator(), lock_digest(), software())
    product = product_name(step, path, job)
    return Making(
        *(product, step, canonical(job), *made_by, dict(inputs)),
        texts=dict(texts or {}),
        provisional=bool(held_back()),
    )


def measured_alone(record: Record, sub_id: str) -> Record:
    """Return the record of a night's measures restricted to one sub.

    The record of a channel registered on another channel's reference contains only that sub of its
    night, so further subs of that night leave the product identical, byte for byte.

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
        data={},
    )
    return Record({**record.makings, alone.product: alone}, record.raws).of(alone.product)


def product_name(step: str, path: str | Path, job: Mapping[str, Any]) -> str:
    """Return the path of a product inside the results, from the job if possible."""
    output = rules_by_step()[step].output
    return output.place(Path(path).as_posix(), job) if output is not None else Path(path).name


def results_of(path: str | Path, product: str) -> Path | None:
    """Return the results folder of a product by its path; None if the file lies elsewhere."""
    place, parts = Path(path), Path(product).parts
    return Path(*place.parts[: -len(parts)]) if place.parts[-len(parts) :] == parts else None


def read_record(path: str | Path) -> Record:
    """Read the record of a product; the last making gets the digests of the file's headers.

    Raises
    ------
    UserError
        If the file has no readable record.
    """
    try:
        blocks = read_blocks(path)
        block = _block_of_record(blocks)
        with open(path, "rb") as file:
            file.seek(block.data_start)
            record = decoded(file.read(block.data_bytes))
        check_record(record)
        making = replace(
            record.making,
            digest=headers_digest(blocks),
            data=data_digests(blocks),
            provisional=blocks[0].text(JOB_DIGEST) == PROVISIONAL,
        )
    except BrokenFits as error:
        msg = f"{path}: {error}; name a FITS file that a run has made, or make it again"
        raise UserError(msg) from None
    except _DAMAGES as error:
        msg = f"{path}: its record is damaged; make the file again from the raw frames"
        raise UserError(msg) from error
    record.makings[making.product] = making
    return record


def has_record(path: str | Path) -> bool:
    """Return whether a file has a record."""
    try:
        _block_of_record(read_blocks(path))
    except BrokenFits:
        return False
    return True


def _block_of_record(blocks: Sequence[Block]) -> Block:
    for block in reversed(blocks):
        if block.name == EXTNAME:
            return block
    msg = "has no provenance record"
    raise BrokenFits(msg)


def _taken(
    makings: dict[str, Making], raws: dict[str, RawRecord], given: str | Path | RawRecord | Record
) -> str:
    """Add an input with all its ancestors to a record; return its name there."""
    if isinstance(given, RawRecord):
        raws.setdefault(given.sha256, given)
        return f"{RAW}{given.sha256}"
    if not isinstance(given, Record):
        check_product(given, EXTNAME)
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
    """Add a making; if its name is taken by a different making, add a folder to the name."""
    known = makings.setdefault(making.product, making)
    if known == making:
        return making.product
    other = f"{digest(canonical(asdict(making)))}/{making.product}"
    makings.setdefault(other, replace(making, product=other))
    return other
