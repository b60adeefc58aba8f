"""Combine dark frames; find hot and unstable pixels."""

import json
from collections.abc import Mapping, Sequence
from contextlib import ExitStack
from pathlib import Path
from typing import Any

import numpy as np

from platefiles.fetching import local_copies
from platefiles.fitsfile import image_hdu, table_hdu, write_product
from platefiles.joblog import job_log, log
from platefiles.mastering import combine_images, inputs_table, master_cards, open_frames
from platefiles.masters import Masters
from platelib.defects import HOT, UNSTABLE, hot_pixels, unstable_pixels

_ENOUGH_FOR_SCATTER = 5


def master_dark(
    paths_to_raw: Sequence[str | Path],
    paths_to_masters: Sequence[str | Path],
    path_to_master: str | Path,
    job: Mapping[str, Any],
) -> None:
    """Write a master dark.

    Parameters
    ----------
    paths_to_raw : sequence of path-like
        Dark frames, in the order of ``job["frames"]``.
    paths_to_masters : sequence of path-like
        The master bias, if there is one; it is taken off.
    path_to_master : path-like
        Product: ``SCI`` (ADU), ``VAR`` (ADU^2, of the mean of the darks), ``COUNT``, ``MASK``
        (1 hot, 4 unstable), ``INPUTS``.
    job : mapping
        Settings: ``clip_sigma``, ``hot_pixel_sigma``.
    """
    settings = job["settings"]
    offset = Masters(paths_to_masters).image(job["bias"]) if job["bias"] else None
    with ExitStack() as stack:
        images, frames = open_frames(stack, paths_to_raw, job)
        combined = combine_images(images, settings["clip_sigma"], offset)
    hot = hot_pixels(combined.mean, settings["hot_pixel_sigma"])
    mask = np.where(hot, np.uint8(HOT), np.uint8(0))
    unstable = np.zeros_like(hot)
    if len(images) >= _ENOUGH_FOR_SCATTER:
        unstable = unstable_pixels(combined.scatter, settings["hot_pixel_sigma"]) & ~hot
        mask |= np.where(unstable, np.uint8(UNSTABLE), np.uint8(0))
    log.info("%d hot, %d unstable pixels of %d", hot.sum(), unstable.sum(), hot.size)
    cards = master_cards("master_dark", job, frames)
    cards += [
        ("DARKTIME", job["exposure_s"], "[s] exposure of one dark"),
        ("NHOT", int(hot.sum()), "hot pixels"),
        ("NUNSTAB", int(unstable.sum()), "unstable pixels that are not hot"),
    ]
    write_product(
        path_to_master,
        cards,
        [
            image_hdu(combined.mean, "SCI", unit="adu"),
            image_hdu(combined.variance, "VAR", unit="adu2"),
            image_hdu(combined.count, "COUNT"),
            image_hdu(mask, "MASK"),
            table_hdu(inputs_table(frames, np.ones(len(frames))), "INPUTS"),
        ],
    )


if __name__ == "__main__":
    with job_log(snakemake.log[0]):
        master_dark(
            paths_to_raw=local_copies(snakemake.input.raw),
            paths_to_masters=snakemake.input.masters,
            path_to_master=snakemake.output[0],
            job=json.loads(snakemake.params.job),
        )
