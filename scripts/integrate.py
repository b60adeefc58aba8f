"""Integrate the subs of a channel, a tile of the grid at a time.

The subs come straight from the raw files; nights that were integrated on their own are merged with
them.
"""

import json
import math
from collections.abc import Mapping, Sequence
from contextlib import ExitStack
from pathlib import Path
from typing import Any

import numpy as np
from astropy.io import fits

from platefiles.astrometry.solution import solution_cards
from platefiles.calibration.master_library import Masters
from platefiles.core.errors import UserError
from platefiles.fits.streaming_writer import StreamedProduct
from platefiles.fits.tables import columns_hdu
from platefiles.integration.channel_cards import (
    SubLevels,
    Used,
    channel_cards,
    gain_notes,
    saturation_cards,
)
from platefiles.integration.combined_product import (
    OpenSubs,
    begin_counts,
    fill_tiles,
    raw_records,
    set_counts,
    set_masters,
    square_of,
    subs_table,
    with_unchanged,
)
from platefiles.integration.core_losses import core_loss
from platefiles.integration.integrate_job import IntegrateJob
from platefiles.integration.integrate_tiles import Integration
from platefiles.integration.opened_subs import open_subs
from platefiles.jobs.job_log import job_log, log
from platefiles.nights.merge_tiles import NightMerge
from platefiles.nights.nights_of_channel import NightsOfChannel
from platefiles.provenance.record import record_hdu
from platefiles.registration.registration_table import (
    RegisteredSub,
    read_registration,
    read_star_places,
)
from platefiles.settings.integration import Stacking
from platefiles.subs.calibrated_sub import unit_of
from platefiles.subs.hit_pixels import read_hit_pixels
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
    paths_to_nights: Sequence[str | Path] = (),
) -> None:
    """Write the integrated image of a channel.

    Parameters
    ----------
    paths_to_raw : sequence of path-like
        Lights of the channel, in the order of ``job.subs``; without those of ``paths_to_nights``.
    paths_to_masters : sequence of path-like
        Masters that they need.
    path_to_registration : path-like
        Table of transforms, levels, weights and states.
    path_to_channel : path-like
        Product: ``SCI``, ``VAR``, ``COUNT``, ``CLIPPED`` (low, high), ``INPUTS``, and ``SATCORES``
        where stars of calibrated frames have saturated cores; ``NIGHTS`` if nights were merged.
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
    paths_to_nights : sequence of path-like
        Products of the nights that were integrated on their own.

    Raises
    ------
    UserError
        If too few subs are left.
    """
    given = IntegrateJob.of(job)
    registered, shape = read_registration(path_to_registration)
    hits = read_hit_pixels(paths_to_rays)
    begin_counts(registered, hits)
    set_masters(registered, given.subs)
    nights = NightsOfChannel(paths_to_nights, registered)
    masters = Masters(paths_to_masters)
    inputs = {
        "raw": paths_to_raw,
        "masters": paths_to_masters,
        "registration": [path_to_registration],
        "rays": paths_to_rays,
        "nights": paths_to_nights,
        "solution": [] if path_to_solution is None else [path_to_solution],
    }
    channel = _Channel(path_to_channel, registered, shape, given, inputs, nights)

    def opened(stack: ExitStack) -> OpenSubs:
        subs = open_subs(stack, paths_to_raw, masters, registered, hits, given, shape)
        _check_enough(
            len(subs) + len(nights.levels), len(given.subs) + nights.lights, registered, given
        )
        return subs

    def write(subs: OpenSubs) -> None:
        channel.write(subs, threads, memory_mb)

    with_unchanged(opened, write)
    channel.report()


class _Channel:
    """Writes the image of a channel."""

    def __init__(
        self,
        path: str | Path,
        registered: Sequence[RegisteredSub],
        shape: tuple[int, int],
        job: IntegrateJob,
        inputs: Mapping[str, Sequence[str | Path]],
        nights: NightsOfChannel,
    ):
        self._path, self._registered, self._shape = path, registered, shape
        self._job, self._inputs, self._nights = job, inputs, nights
        self._used: Used = ()

    def write(self, subs: OpenSubs, threads: int, memory_mb: float) -> None:
        """Write the image of the used subs, open ones and those of nights.

        Raises
        ------
        ChangedFrame
            If a sub is not what was measured; nothing is left behind then.
        """
        levels = {row.facts["id"]: SubLevels.of(sub) for row, sub in subs} | self._nights.levels
        self._used = used = [
            (row, levels[row.facts["id"]])
            for row in self._registered
            if row.facts["state"] == SubState.USED and row.facts["id"] in levels
        ]
        unit = unit_of([own.gain for _, own in used], self._job.unit)
        cores_on_grid = read_cores(self._inputs["registration"][0])
        lost = len(cores_on_grid["x"])
        cards = channel_cards(used, self._registered, self._shape, self._job)
        cards += saturation_cards(used, self._job, lost)
        with StreamedProduct(self._path, cards, self._images(unit)) as product:
            if self._nights:
                tables = [self._merge(product, subs, threads, memory_mb)]
            else:
                self._integrate(product, subs, threads, memory_mb)
                tables = []
            for _, sub in subs:
                sub.image.check_unchanged()
            raws = raw_records(self._inputs["raw"], self._registered, self._job.subs)
            named = {**self._inputs, "raw": raws}
            record = record_hdu("integrate", self._path, self._job.recorded, named)
            tables += [cores_hdu(cores_on_grid)] if lost else []
            listed = columns_hdu(subs_table(self._registered), "INPUTS", of_image=unit)
            product.finish([listed, *tables, record], threads=threads)

    def report(self) -> None:
        """Log what became of the subs."""
        log.info("%d of %d subs", len(self._used), len(self._registered))
        for row in self._registered:
            if (said := core_loss(row.facts)) is not None:
                log.warning("%s", said)
        for note in [*self._job.sentences, *gain_notes(self._used, self._job)]:
            log.info("%s", note)

    def _images(self, unit: str) -> dict[str, tuple]:
        """Return shape, kind of number, cards and unit of each image."""
        path_to_solution = next(iter(self._inputs["solution"]), None)
        flat, cube = (
            [] if path_to_solution is None else solution_cards(path_to_solution, planes)
            for planes in (False, True)
        )
        sides = [("PLANE1", "low"), ("PLANE2", "high")]
        return {
            "SCI": (self._shape, "f4", flat, unit),
            "VAR": (self._shape, "f4", flat, square_of(unit)),
            "COUNT": (self._shape, "i2", flat, None),
            "CLIPPED": ((2, *self._shape), "i2", [*sides, *cube], None),
        }

    def _integrate(
        self, product: StreamedProduct, subs: OpenSubs, threads: int, memory_mb: float
    ) -> None:
        """Integrate the subs in one pass."""
        integration = Integration(subs, self._shape, self._settings, self._stars, threads)
        tiles = integration.tiling(threads, memory_mb)
        counts = fill_tiles(tiles, integration.stack, product, threads)
        for (row, _), *own in zip(subs, *(part.tolist() for part in counts), strict=True):
            set_counts(row.facts, *own, math.prod(self._shape))

    def _merge(
        self, product: StreamedProduct, subs: OpenSubs, threads: int, memory_mb: float
    ) -> fits.BinTableHDU:
        """Merge the nights with the other subs; return the table of nights."""
        samples = self._nights.samples(subs, self._settings, self._shape)
        merging = NightMerge(samples, self._shape, self._settings, self._stars, threads)
        tiles = merging.tiling(threads, memory_mb)
        counts = fill_tiles(tiles, merging.stack, product, threads)
        rows = []
        for sample, *own in zip(samples, *(part.tolist() for part in counts), strict=True):
            if sample.is_stack:
                rows.append(self._nights.row(sample))
                set_counts(rows[-1], *own, math.prod(self._shape))
            else:
                set_counts(sample.members[0].facts, *own, math.prod(self._shape))
        return self._nights.table(rows, math.fsum(sample.full_weight for sample in samples))

    @property
    def _settings(self) -> Stacking:
        return self._job.settings.integration

    @property
    def _stars(self) -> np.ndarray:
        return read_star_places(self._inputs["registration"][0])


def _check_enough(
    usable: int, total: int, registered: Sequence[RegisteredSub], job: IntegrateJob
) -> None:
    settings = job.settings.integration
    fewest = min(settings.min_subs, total)
    if usable >= fewest and 1 - usable / total <= settings.max_excluded:
        return
    rows = [row.facts for row in registered]
    states = counted(row["state"] for row in rows if row["state"] != SubState.USED)
    for row in rows:
        log.info("%s: %s %s", *(row[key] for key in ("name", "state", "reason")))
    msg = (
        f"channel '{job.channel}': {usable} of {total} subs can be used ({states}), at least "
        f"{fewest} are needed; the log of this job lists each reason; loosen quality in the "
        "recipe or set integration: min_subs"
    )
    raise UserError(msg)


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
            paths_to_nights=snakemake.input.nights,
        )
