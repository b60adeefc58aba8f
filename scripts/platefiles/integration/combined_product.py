"""What the products of integrations have in common: their images, their table of subs."""

from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack
from pathlib import Path
from typing import Any

import numpy as np

from platefiles.core.frame_errors import ChangedFrame
from platefiles.fits.streaming_writer import StreamedProduct
from platefiles.integration.integrate_tiles import Combined
from platefiles.integration.opened_subs import leave_out_changed
from platefiles.integration.psf_stamps import PIXELS_OF_CORE
from platefiles.integration.tiles import Span, Tiling
from platefiles.jobs.job_log import log
from platefiles.provenance.activities import RawRecord
from platefiles.provenance.record import raw_record
from platefiles.registration.registration_table import RegisteredSub
from platefiles.subs.calibrated_sub import Sub
from platefiles.subs.hit_pixels import NO_HITS, HitPixels

OpenSubs = list[tuple[RegisteredSub, Sub]]
_COLUMNS = (
    "id", "name", "sha256", "night", "start_utc", "exposure_s", "state", "reason", "weight",
    "factor", "scale", "rms_px", "matched", "degree", "x", "y", "sky_terms", "sky_difference",
    "excess", "ray_pixels", "star_cores", "cores_rejected",
)  # fmt: skip
_MASTERS = ("bias", "dark", "flat")
_SHARES = ("clipped_low", "clipped_high")
COUNTED = ("ray_pixels", "star_cores", "cores_rejected", *_MASTERS, *_SHARES)
"""Columns that integration adds to those of the registration."""


def with_unchanged(
    opened: Callable[[ExitStack], OpenSubs], write: Callable[[OpenSubs], None]
) -> None:
    """Open subs and write a product of them, again without those that change meanwhile.

    Parameters
    ----------
    opened : callable
        Opens the used subs, which the stack closes.
    write : callable
        Writes the product, or raises `ChangedFrame` and leaves nothing behind.
    """
    is_whole = False
    while not is_whole:
        with ExitStack() as stack:
            subs = opened(stack)
            try:
                write(subs)
                is_whole = True
            except ChangedFrame as error:
                log.warning("%s %s: restarted without it", error.name, error)
                leave_out_changed(subs, error)


def begin_counts(registered: Sequence[RegisteredSub], hits: Mapping[str, HitPixels]) -> None:
    """Set what integration counts of each sub, before it is known."""
    for row in registered:
        row.facts["ray_pixels"] = len(hits.get(row.facts["id"], NO_HITS))
        row.facts.update(star_cores=0, cores_rejected=0.0)
        row.facts.update(dict.fromkeys(_SHARES, 0.0))
        row.facts.update(dict.fromkeys(_MASTERS, "none"))


def set_masters(registered: Sequence[RegisteredSub], subs: Sequence[Mapping[str, Any]]) -> None:
    """Set the names of the masters of subs from the facts of a job."""
    facts = {sub["id"]: sub for sub in subs}
    for row in registered:
        for kind in _MASTERS:
            row.facts[kind] = facts.get(row.facts["id"], {}).get(kind) or row.facts[kind]


def set_counts(
    row: dict[str, Any], tally: Sequence[int], cores: Sequence[int], pixels: int
) -> None:
    """Set the shares of the pixels of an image that were rejected.

    Parameters
    ----------
    row : dict
        Facts of a sub, or of a night; changed in place.
    tally : sequence of int
        Pixels without data, rejected as low, rejected as high.
    cores : sequence of int
        Pixels of star cores, and rejected ones of them.
    pixels : int
        Pixels of the grid.
    """
    row["star_cores"] = round(cores[0] / PIXELS_OF_CORE)
    row["cores_rejected"] = float(f"{cores[1] / max(cores[0], 1):.4g}")
    present = max(pixels - tally[0], 1)
    for name, count in zip(_SHARES, tally[1:], strict=True):
        row[name] = float(f"{count / present:.6g}")


def subs_table(registered: Sequence[RegisteredSub]) -> dict[str, list]:
    """Return the columns of the table ``INPUTS``."""
    names = (*_COLUMNS, *_MASTERS, *_SHARES)
    return {name: [row.facts[name] for row in registered] for name in names}


def square_of(unit: str) -> str:
    """Return the unit of variances."""
    return "adu2" if unit == "adu" else f"({unit})2"


def fill_tiles(
    tiles: Tiling, stack: Callable[[Span, Span], Combined], product: StreamedProduct, threads: int
) -> tuple[np.ndarray, np.ndarray]:
    """Fill the images of a product tile by tile.

    Returns
    -------
    tally : numpy.ndarray
        ``(n, 3)``: pixels of each image without data, rejected as low, rejected as high.
    cores : numpy.ndarray
        ``(n, 2)``: pixels of star cores of each image, and rejected ones of them.
    """

    def fill(tile: tuple[Span, Span]) -> np.ndarray:
        done = stack(*tile)
        planes = {name: done.planes[name] for name in product.images}
        product.fill(planes, *tile)
        return np.concatenate([done.tally, done.cores], axis=1)

    with ThreadPoolExecutor(threads) as pool:
        counts = np.sum(list(pool.map(fill, tiles)), axis=0)
    return counts[:, :3], counts[:, 3:]


def raw_records(
    paths_to_raw: Sequence[str | Path],
    registered: Sequence[RegisteredSub],
    subs: Sequence[Mapping[str, Any]],
) -> list[RawRecord]:
    """Return the records of the raw frames of a job, with the digests of the registration."""
    digests = {row.facts["id"]: row.facts["sha256"] for row in registered}
    return [
        raw_record("light", facts, digests[facts["id"]], path)
        for path, facts in zip(paths_to_raw, subs, strict=True)
    ]
