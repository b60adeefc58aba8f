"""Integrate the subs of a channel, a tile of the grid at a time, straight from the raw files."""

import json
import math
from collections.abc import Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack
from pathlib import Path
from typing import Any

import numpy as np

from platefiles.astrometry.solution import solution_cards
from platefiles.calibration.master_library import Masters
from platefiles.core.errors import UserError
from platefiles.core.frame_errors import ChangedFrame
from platefiles.fits.streaming_writer import StreamedProduct
from platefiles.fits.tables import columns_hdu
from platefiles.integration.channel_cards import channel_cards, gain_notes, saturation_cards
from platefiles.integration.core_losses import core_loss
from platefiles.integration.integrate_job import IntegrateJob
from platefiles.integration.integrate_tiles import Integration, leave_out_changed, open_subs
from platefiles.integration.psf_stamps import PIXELS_OF_CORE
from platefiles.integration.tiles import Span
from platefiles.jobs.job_log import job_log, log
from platefiles.provenance.activities import RawRecord
from platefiles.provenance.record import raw_record, record_hdu
from platefiles.registration.registration_table import (
    RegisteredSub,
    read_registration,
    read_star_places,
)
from platefiles.subs.calibrated_sub import Sub, unit_of
from platefiles.subs.hit_pixels import NO_HITS, read_hit_pixels
from platefiles.subs.saturated_cores import cores_hdu, read_cores
from platefiles.transfers.fetch import local_copies
from platelib.registration.frame_selection import counted
from platelib.registration.sub_state import SubState


def integrate(
    paths_to_raw: Sequence[str | Path],
    paths_to_masters: Sequence[str | Path],
    path_to_registration: str | Path,
    path_to_channel: str | Path,
    job: Mapping[str, Any],
    threads: int = 1,
    memory_mb: float = math.inf,
    paths_to_rays: Sequence[str | Path] = (),
    path_to_solution: str | Path | None = None,
) -> None:
    """Write the integrated image of a channel.

    Parameters
    ----------
    paths_to_raw : sequence of path-like
        Lights of the channel, in the order of ``job.subs``.
    paths_to_masters : sequence of path-like
        Masters that they need.
    path_to_registration : path-like
        Table of transforms, levels, weights and states.
    path_to_channel : path-like
        Product: ``SCI``, ``VAR``, ``COUNT``, ``CLIPPED`` (low, high), ``INPUTS``, and ``SATCORES``
        where stars of calibrated frames have saturated cores.
    job : mapping
        See `platefiles.integration.integrate_job.IntegrateJob`.
    threads : int
        Tiles that are worked on at a time; it changes no bit.
    memory_mb : float
        Memory of its own that the step may take, MB; it changes no bit.
    paths_to_rays : sequence of path-like
        Cosmic rays on the subs, for channels that are cleaned sub by sub.
    path_to_solution : path-like, optional
        Place of the grid on the sky, for the headers of the images.

    Raises
    ------
    UserError
        If too few subs are left.
    """
    given = IntegrateJob.of(job)
    registered, shape = read_registration(path_to_registration)
    hits = read_hit_pixels(paths_to_rays)
    for row in registered:
        row.facts["ray_pixels"] = len(hits.get(row.facts["id"], NO_HITS))
        row.facts.update(star_cores=0, cores_rejected=0.0)
    inputs = {
        "raw": paths_to_raw,
        "masters": paths_to_masters,
        "registration": [path_to_registration],
        "rays": paths_to_rays,
        "solution": [] if path_to_solution is None else [path_to_solution],
    }
    masters, is_whole = Masters(paths_to_masters), False
    while not is_whole:
        with ExitStack() as stack:
            subs = open_subs(stack, paths_to_raw, masters, registered, hits, given, shape)
            _check_enough(len(subs), len(given.subs), registered, given)
            try:
                made = (subs, registered, shape)
                _write_channel(made, path_to_channel, inputs, given, threads, memory_mb)
                is_whole = True
            except ChangedFrame as error:
                log.warning("%s %s: restarted without it", error.name, error)
                leave_out_changed(subs, error)
    for note in [*given.sentences, *gain_notes(subs, given)]:
        log.info("%s", note)


def _write_channel(
    made: tuple[Sequence[tuple[RegisteredSub, Sub]], Sequence[RegisteredSub], tuple[int, int]],
    path: str | Path,
    inputs: Mapping[str, Sequence[str | Path]],
    job: IntegrateJob,
    threads: int,
    memory_mb: float,
) -> None:
    """Write the image of the used subs on a grid of a shape.

    Raises
    ------
    ChangedFrame
        If a sub is not what was measured; nothing is left behind then.
    """
    subs, registered, shape = made
    unit = unit_of([sub for _, sub in subs], job.unit)
    images = _images(shape, unit, next(iter(inputs["solution"]), None))
    stars = read_star_places(inputs["registration"][0])
    cores_on_grid = read_cores(inputs["registration"][0])
    lost = len(cores_on_grid["x"])
    cards = channel_cards(subs, registered, shape, job) + saturation_cards(subs, job, lost)
    with StreamedProduct(path, cards, images) as product:
        integration = Integration(subs, shape, job.settings.integration, stars, threads)
        tally, cores = _integrate_tiles(integration, threads, memory_mb, product)
        for _, sub in subs:
            sub.image.check_unchanged()
        for (row, _), (pixels, rejected) in zip(subs, cores.tolist(), strict=True):
            row.facts["star_cores"] = round(pixels / PIXELS_OF_CORE)
            row.facts["cores_rejected"] = float(f"{rejected / max(pixels, 1):.4g}")
        table = _inputs(registered, subs, tally, shape, job)
        raws = _raw_records(inputs["raw"], registered, job)
        record = record_hdu("integrate", path, job.recorded, {**inputs, "raw": raws})
        lists = [cores_hdu(cores_on_grid)] if lost else []
        product.finish(
            [columns_hdu(table, "INPUTS", of_image=unit), *lists, record], threads=threads
        )
    log.info("%d of %d subs", len(subs), len(registered))
    told = ("name", "star_cores", "cores_rejected", "clipped_low", "clipped_high")
    for row in zip(*(table[name] for name in told), strict=True):
        if (said := core_loss(dict(zip(told, row, strict=True)))) is not None:
            log.warning("%s", said)


def _raw_records(
    paths_to_raw, registered: Sequence[RegisteredSub], job: IntegrateJob
) -> list[RawRecord]:
    digests = {row.facts["id"]: row.facts["sha256"] for row in registered}
    return [
        raw_record("light", facts, digests[facts["id"]], path)
        for path, facts in zip(paths_to_raw, job.subs, strict=True)
    ]


def _check_enough(
    usable: int, total: int, rows: Sequence[RegisteredSub], job: IntegrateJob
) -> None:
    settings = job.settings.integration
    fewest = min(settings.min_subs, total)
    if usable >= fewest and 1 - usable / total <= settings.max_excluded:
        return
    states = counted(row.facts["state"] for row in rows if row.facts["state"] != SubState.USED)
    for row in rows:
        log.info("%s: %s %s", *(row.facts[key] for key in ("name", "state", "reason")))
    msg = (
        f"channel '{job.channel}': {usable} of {total} subs can be used ({states}), at least "
        f"{fewest} are needed; the log of this job lists each reason; loosen quality in the "
        "recipe or set integration: min_subs"
    )
    raise UserError(msg)


def _integrate_tiles(
    integration: Integration, threads: int, memory_mb: float, product: StreamedProduct
) -> tuple[np.ndarray, np.ndarray]:
    """Fill the product tile by tile.

    Returns
    -------
    tally : numpy.ndarray
        ``(n, 3)``: pixels of each sub without data, rejected as low, rejected as high.
    cores : numpy.ndarray
        ``(n, 2)``: pixels of star cores of each sub, and rejected ones of them.
    """

    def fill(tile: tuple[Span, Span]) -> np.ndarray:
        stack = integration.stack(*tile)
        product.fill(stack.planes, *tile)
        return np.concatenate([stack.average.tally, stack.cores], axis=1)

    with ThreadPoolExecutor(threads) as pool:
        counts = sum(pool.map(fill, integration.tiling(threads, memory_mb)))
    return counts[:, :3], counts[:, 3:]


def _images(
    shape: tuple[int, int], unit: str, path_to_solution: str | Path | None
) -> dict[str, tuple]:
    """Return shape, kind of number, cards and unit of each image."""
    flat, cube = (
        [] if path_to_solution is None else solution_cards(path_to_solution, planes)
        for planes in (False, True)
    )
    square = "adu2" if unit == "adu" else f"({unit})2"
    sides = [("PLANE1", "low"), ("PLANE2", "high")]
    return {
        "SCI": (shape, "f4", flat, unit),
        "VAR": (shape, "f4", flat, square),
        "COUNT": (shape, "i2", flat, None),
        "CLIPPED": ((2, *shape), "i2", [*sides, *cube], None),
    }


def _inputs(
    registered, subs, tally: np.ndarray, shape: tuple[int, int], job: IntegrateJob
) -> dict[str, list]:
    columns = ("id", "name", "sha256", "night", "start_utc", "exposure_s", "state", "reason",
               "weight", "factor", "scale", "rms_px", "matched", "degree", "x", "y",
               "sky_terms", "sky_difference", "excess", "ray_pixels", "star_cores",
               "cores_rejected")  # fmt: skip
    table = {name: [row.facts[name] for row in registered] for name in columns}
    masters = {sub["id"]: sub for sub in job.subs}
    for kind in ("bias", "dark", "flat"):
        table[kind] = [masters.get(i, {}).get(kind) or "none" for i in table["id"]]
    present = np.maximum(shape[0] * shape[1] - tally[:, :1], 1)
    shares = dict(zip((row.facts["id"] for row, _ in subs), tally[:, 1:] / present, strict=True))
    for k, name in enumerate(("clipped_low", "clipped_high")):
        table[name] = [float(f"{shares.get(i, (0.0, 0.0))[k]:.6g}") for i in table["id"]]
    return table


if __name__ == "__main__":
    with job_log(snakemake.log[0], snakemake.params.job, snakemake.output[0]):
        integrate(
            paths_to_raw=local_copies(snakemake.input.raw),
            paths_to_masters=snakemake.input.masters,
            path_to_registration=snakemake.input.registration,
            path_to_channel=snakemake.output[0],
            job=json.loads(snakemake.params.job),
            threads=snakemake.threads,
            memory_mb=snakemake.resources.mem_mb,
            paths_to_rays=snakemake.input.rays,
            path_to_solution=snakemake.input.solution or None,
        )
