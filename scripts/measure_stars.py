"""Measure the sky, the noise and the stars of each sub of one channel and night."""

import json
import warnings
from collections.abc import Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from itertools import chain
from pathlib import Path
from typing import Any

from platefiles.fits.products_io import write_product
from platefiles.fits.tables import columns_hdu
from platefiles.jobs.job_log import job_log, log
from platefiles.provenance.header_provenance import making_cards
from platefiles.provenance.record import raw_record, record_hdu
from platefiles.raw_frames.sensor_sections import overscan_cards
from platefiles.settings.job import Facts, JobSettings, Rows, StepJob
from platefiles.settings.measure import Measure
from platefiles.subs.measure_in_turn import Bench, File, groups_of
from platefiles.subs.measured_rows import MeasuredSub, sky_columns, star_columns, top_columns
from platefiles.subs.saturated_cores import cores_of_subs_hdu
from platefiles.transfers.fetch import local_copies


class _Settings(JobSettings):
    measure: Measure


class Job(StepJob):
    """The job of measurement: the lights of one channel and night, and the camera."""

    settings: _Settings
    channel: str
    night: str
    camera: Facts
    subs: Rows


def measure_stars(
    paths_to_raw: Sequence[str | Path],
    paths_to_masters: Sequence[str | Path],
    path_to_measures: str | Path,
    job: Mapping[str, Any],
    threads: int = 1,
) -> None:
    """Measure every sub; an unusable sub gets a row with the reason.

    Parameters
    ----------
    paths_to_raw : sequence of path-like
        Lights, in the order of ``job.subs``.
    paths_to_masters : sequence of path-like
        Masters that they need.
    path_to_measures : path-like
        Product: tables ``SUBS`` (a row a sub), ``STARS`` (a row a star), ``TOPS`` (a row for each
        of the brightest pixels that do not stand alone), ``SATCORES`` (a row a saturated core of a
        calibrated frame) and ``SKY`` (a row a cell of the sky mesh), all but the first with the
        number of the sub in ``sub``.
    job : mapping
        See `Job`.
    threads : int
        Threads that measure subs, each a few of them in turn.
    """
    given = Job.of(job)
    files = list(zip(paths_to_raw, given.subs, strict=True))
    bench = Bench(paths_to_masters, given.camera, given.settings.measure, files)
    subs = _measure_all(files, bench, threads)
    raws = [
        raw_record("light", facts, sub.row["sha256"], path)
        for (path, facts), sub in zip(files, subs, strict=True)
    ]
    inputs = {"raw": raws, "masters": paths_to_masters}
    rows = {name: [sub.row[name] for sub in subs] for name in subs[0].row}
    unit = "electron" if all(gain > 0 for gain in rows["gain"]) else ""
    write_product(
        path_to_measures,
        [
            *making_cards("measure_stars", job),
            ("CHANNEL", given.channel),
            ("NIGHT", given.night),
            *overscan_cards(given.subs),
        ],
        [
            columns_hdu(rows, "SUBS", of_image=unit),
            columns_hdu(star_columns(subs), "STARS", of_image=unit),
            columns_hdu(top_columns(subs), "TOPS"),
            cores_of_subs_hdu([sub.cores for sub in subs]),
            columns_hdu(sky_columns(subs), "SKY", of_image=unit),
            record_hdu("measure_stars", path_to_measures, job, inputs),
        ],
    )


def _measure_all(files: Sequence[File], bench: Bench, threads: int) -> list[MeasuredSub]:
    """Measure the subs, and log their states."""
    subs = []
    # Opening a frame sets warnings aside, which threads cannot do each for itself.
    with warnings.catch_warnings(), ThreadPoolExecutor(threads) as pool:
        warnings.simplefilter("ignore")
        for sub in chain.from_iterable(pool.map(bench.measure_in_turn, groups_of(files, threads))):
            log.info("%s: %s %s", *(sub.row[key] for key in ("name", "state", "reason")))
            if sub.remark:
                log.info("%s: %s", sub.row["name"], sub.remark)
            if len(sub.cores):
                log.info("%s: %d stars with saturated cores", sub.row["name"], len(sub.cores))
            subs.append(sub)
    return subs


if __name__ == "__main__":
    with job_log(snakemake.log[0], snakemake.params.job, snakemake.output[0]):
        measure_stars(
            paths_to_raw=local_copies(snakemake.input.raw),
            paths_to_masters=snakemake.input.masters,
            path_to_measures=snakemake.output[0],
            job=json.loads(snakemake.params.job),
            threads=snakemake.threads,
        )
