"""Combine bias frames; measure the read noise from their differences."""

import json
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from platefiles.calibration.combine_master import (
    closing_hdus,
    combine_images,
    digests_of,
    make_master,
    master_cards,
    master_product,
)
from platefiles.calibration.master_job import MasterJob
from platefiles.jobs.job_log import job_log, log
from platefiles.raw_frames.raw_frame import RawImage
from platefiles.settings.calibration import MasterClipping
from platefiles.settings.job import JobSettings
from platefiles.transfers.fetch import local_copies
from platelib.calibration.photon_transfer import bands, read_noise_adu, summarise

_PAIRS = 5


class _Settings(JobSettings):
    calibration: MasterClipping


class Job(MasterJob):
    """The job of a master bias."""

    settings: _Settings


def master_bias(
    paths_to_raw: Sequence[str | Path],
    path_to_master: str | Path,
    job: Mapping[str, Any],
    threads: int = 1,
) -> None:
    """Write a master bias.

    Parameters
    ----------
    paths_to_raw : sequence of path-like
        Bias frames, in the order of ``job.frames``.
    path_to_master : path-like
        Product: ``SCI`` (ADU), ``VAR`` (ADU^2), ``COUNT``, ``INPUTS``; read noise in ``RNOISE``.
    job : mapping
        See `Job`.
    threads : int
        With two, files are digested while frames are combined; it changes no bit.
    """
    given = Job.of(job)

    def make(images: list[RawImage], frames: list[dict]) -> None:
        cards = [*master_cards("master_bias", given, frames), *_noise_cards(images)]
        product = master_product(path_to_master, cards, images[0].shape, "adu", mask=False)
        with digests_of(images, threads) as digests, product:
            combine_images(images, given.settings.calibration.clip_sigma, product)
            paths = (paths_to_raw, None, path_to_master)
            hdus = closing_hdus("bias", paths, given, frames, digests, [1.0] * len(frames))
            product.finish(hdus, threads=threads)

    make_master(paths_to_raw, given, make)


def _noise_cards(images: Sequence[RawImage]) -> list[tuple]:
    """Measure the read noise."""
    cells: list[float] = []
    for first, second in list(zip(images[::2], images[1::2], strict=False))[:_PAIRS]:
        for rows in bands(first.shape):
            cells += read_noise_adu(first.rows(*rows), second.rows(*rows))
    noise = summarise(cells)
    if noise is None:
        return []
    log.info("read noise %.3f ADU from %d cells", noise.value, noise.count)
    return [
        ("RNOISE", round(noise.value, 5)),
        ("RNOISERR", round(noise.error, 6)),
    ]


if __name__ == "__main__":
    with job_log(snakemake.log[0], snakemake.params.job, snakemake.output[0]):
        master_bias(
            paths_to_raw=local_copies(snakemake.input.raw),
            path_to_master=snakemake.output[0],
            job=json.loads(snakemake.params.job),
            threads=snakemake.threads,
        )
