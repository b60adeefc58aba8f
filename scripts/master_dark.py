"""Combine dark frames; find hot and unstable pixels."""

import json
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np

from platefiles.calibration.combine_master import (
    Offset,
    closing_hdus,
    combine_images,
    digests_of,
    make_master,
    master_cards,
    master_product,
)
from platefiles.calibration.master_job import MasterJob
from platefiles.calibration.master_library import Masters
from platefiles.fits.streaming_writer import StreamedProduct
from platefiles.jobs.job_log import job_log, log
from platefiles.raw_frames.raw_frame import RawImage
from platefiles.settings.calibration import DarkMaster
from platefiles.settings.job import JobSettings
from platefiles.transfers.fetch import local_copies
from platelib.bad_pixels.detect import HOT, UNSTABLE, hot_pixels, unstable_pixels

_ENOUGH_FOR_SCATTER = 5


class _Settings(JobSettings):
    calibration: DarkMaster


class Job(MasterJob):
    """The job of a master dark."""

    settings: _Settings
    exposure_s: float


def master_dark(
    paths_to_raw: Sequence[str | Path],
    paths_to_masters: Sequence[str | Path],
    path_to_master: str | Path,
    job: Mapping[str, Any],
    threads: int = 1,
) -> None:
    """Write a master dark.

    Parameters
    ----------
    paths_to_raw : sequence of path-like
        Dark frames, in the order of ``job.frames``.
    paths_to_masters : sequence of path-like
        The master bias, if there is one; it is subtracted.
    path_to_master : path-like
        Product: ``SCI`` (ADU), ``VAR`` (ADU^2, of the mean of the darks), ``COUNT``, ``MASK``
        (1 hot, 4 unstable), ``INPUTS``.
    job : mapping
        See `Job`.
    threads : int
        With two, files are digested while frames are combined; it changes no bit.
    """
    given = Job.of(job)
    settings = given.settings.calibration
    offset = Offset([Masters(paths_to_masters).image(given.bias)] if given.bias else [])

    def make(images: list[RawImage], frames: list[dict]) -> None:
        cards = [
            *master_cards("master_dark", given, frames),
            ("DARKTIME", given.exposure_s),
            ("NHOT", 0),
            ("NUNSTAB", 0),
        ]
        product = master_product(path_to_master, cards, images[0].shape, "adu", mask=True)
        with digests_of(images, threads) as digests, product:
            combine_images(images, settings.clip_sigma, product, offset)
            enough = len(images) >= _ENOUGH_FOR_SCATTER
            numbers = _mark_defects(product, settings.hot_pixel_sigma, enough)
            paths = (paths_to_raw, paths_to_masters, path_to_master)
            hdus = closing_hdus("dark", paths, given, frames, digests, [1.0] * len(frames))
            product.finish(hdus, numbers, threads)

    make_master(paths_to_raw, given, make)


def _mark_defects(product: StreamedProduct, sigma: float, enough: bool) -> dict[str, int]:
    """Fill the mask; return the numbers of hot and, with enough darks, unstable pixels as cards."""
    hot = hot_pixels(product.image("SCI"), sigma)
    mask = np.where(hot, np.uint8(HOT), np.uint8(0))
    numbers = {"NHOT": np.count_nonzero(hot), "NUNSTAB": 0}
    if enough:
        unstable = unstable_pixels(product.image("VAR"), product.image("COUNT"), sigma)
        np.greater(unstable, hot, out=unstable)
        mask[unstable] = UNSTABLE
        numbers["NUNSTAB"] = np.count_nonzero(unstable)
    product.fill({"MASK": mask}, (0, len(mask)))
    log.info("%d hot, %d unstable pixels of %d", *numbers.values(), hot.size)
    return numbers


if __name__ == "__main__":
    with job_log(snakemake.log[0], snakemake.params.job, snakemake.output[0]):
        master_dark(
            paths_to_raw=local_copies(snakemake.input.raw),
            paths_to_masters=snakemake.input.masters,
            path_to_master=snakemake.output[0],
            job=json.loads(snakemake.params.job),
            threads=snakemake.threads,
        )
