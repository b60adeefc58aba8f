"""Integrate the subs of a channel's night, so that later nights need not read them again."""

import json
import math
from collections.abc import Mapping, Sequence
from contextlib import ExitStack
from pathlib import Path
from typing import Any

from platefiles.calibration.master_library import Masters
from platefiles.fits.products_io import read_header
from platefiles.integration.combined_product import (
    OpenSubs,
    begin_counts,
    set_masters,
    with_unchanged,
)
from platefiles.integration.integrate_job import IntegrateNightJob
from platefiles.integration.opened_subs import open_subs
from platefiles.jobs.job_log import job_log, log
from platefiles.nights.night_product import NightProduct
from platefiles.registration.night_registration import reference_of
from platefiles.registration.registration_table import read_registration
from platefiles.subs.hit_pixels import read_hit_pixels
from platefiles.transfers.fetch import local_copies
from platelib.registration.frame_selection import Limits, set_weights
from platelib.registration.night_selection import judge_night


def integrate_night(
    paths_to_raw: Sequence[str | Path],
    paths_to_masters: Sequence[str | Path],
    path_to_registration: str | Path,
    path_to_night: str | Path,
    job: Mapping[str, Any],
    threads: int = 1,
    memory_mb: float = math.inf,
    paths_to_rays: Sequence[str | Path] = (),
) -> None:
    """Write the stack of a night.

    Parameters
    ----------
    paths_to_raw : sequence of path-like
        Lights of the night, in the order of ``job.subs``.
    paths_to_masters : sequence of path-like
        Masters that they need.
    path_to_registration : path-like
        Registration of the night.
    path_to_night : path-like
        Product; see `platefiles.nights.night_product.NightProduct`.
    job : mapping
        See `platefiles.integration.integrate_job.IntegrateNightJob`.
    threads : int
        Tiles that are worked on at a time; it changes no bit.
    memory_mb : float
        Memory of its own that the step may take, MB; it changes no bit.
    paths_to_rays : sequence of path-like
        Cosmic rays on the subs, for channels that are cleaned sub by sub.
    """
    given = IntegrateNightJob.of(job)
    registered, shape = read_registration(path_to_registration)
    rows = [row.facts for row in registered]
    reference = reference_of(read_header(path_to_registration))
    judge_night(rows, reference, Limits(**given.settings.quality.model_dump()))
    set_weights(rows, given.settings.integration.weights)
    hits = read_hit_pixels(paths_to_rays)
    begin_counts(registered, hits)
    set_masters(registered, given.subs)
    masters = Masters(paths_to_masters)
    inputs = {
        "raw": paths_to_raw,
        "masters": paths_to_masters,
        "registration": [path_to_registration],
        "rays": paths_to_rays,
    }
    product = NightProduct(path_to_night, registered, shape, given, inputs)

    def opened(stack: ExitStack) -> OpenSubs:
        return open_subs(stack, paths_to_raw, masters, registered, hits, given, shape)

    def write(subs: OpenSubs) -> None:
        product.write(subs, threads, memory_mb)

    with_unchanged(opened, write)
    log.info("%d of %d subs", sum(row["weight"] > 0 for row in rows), len(rows))


if __name__ == "__main__":
    with job_log(snakemake.log[0], snakemake.params.job, snakemake.output[0]):
        integrate_night(
            paths_to_raw=local_copies(snakemake.input.raw),
            paths_to_masters=snakemake.input.masters,
            path_to_registration=snakemake.input.registration,
            path_to_night=snakemake.output[0],
            job=json.loads(snakemake.params.job),
            threads=snakemake.threads,
            memory_mb=snakemake.resources.mem_mb,
            paths_to_rays=snakemake.input.rays,
        )
