"""Combine bias frames; measure the read noise from their differences."""

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
from platelib.photon_transfer import bands, read_noise_adu, summarise

_PAIRS = 5


def master_bias(
    paths_to_raw: Sequence[str | Path], path_to_master: str | Path, job: Mapping[str, Any]
) -> None:
    """Write a master bias.

    Parameters
    ----------
    paths_to_raw : sequence of path-like
        Bias frames, in the order of ``job["frames"]``.
    path_to_master : path-like
        Product: ``SCI`` (ADU), ``VAR`` (ADU^2), ``COUNT``, ``INPUTS``; read noise in ``RNOISE``.
    job : mapping
        Settings: ``clip_sigma``.
    """
    with ExitStack() as stack:
        images, frames = open_frames(stack, paths_to_raw, job)
        combined = combine_images(images, job["settings"]["clip_sigma"])
        cells: list[float] = []
        for first, second in list(zip(images[::2], images[1::2], strict=False))[:_PAIRS]:
            for rows in bands(first.shape):
                cells += read_noise_adu(first.rows(*rows), second.rows(*rows))
    noise = summarise(cells)
    cards = master_cards("master_bias", job, frames)
    if noise is not None:
        cards.append(("RNOISE", round(noise.value, 5), "[adu] read noise from pairs of frames"))
        cards.append(("RNOISERR", round(noise.error, 6), "[adu] standard error of RNOISE"))
        log.info("read noise %.3f ADU from %d cells", noise.value, noise.count)
    write_product(
        path_to_master,
        cards,
        [
            image_hdu(combined.mean, "SCI", unit="adu"),
            image_hdu(combined.variance, "VAR", unit="adu2"),
            image_hdu(combined.count, "COUNT"),
            table_hdu(inputs_table(frames, np.ones(len(frames))), "INPUTS"),
        ],
    )


if __name__ == "__main__":
    with job_log(snakemake.log[0]):
        master_bias(
            paths_to_raw=local_copies(snakemake.input.raw),
            path_to_master=snakemake.output[0],
            job=json.loads(snakemake.params.job),
        )
