"""Convolve a channel to the widest PSF."""

import json
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np

from platefiles.channels.background_subtracted import (
    CORE,
    NO_DATA,
    FlatChannel,
    handed_on_cards,
    handed_on_place,
    handed_on_planes,
    read_flat_channel,
    read_flat_image,
    read_stars,
    square_unit,
)
from platefiles.channels.psf_match import matching_of, soften_channel
from platefiles.core.errors import UserError
from platefiles.fits.product_cards import comment_of
from platefiles.fits.products_io import image_hdu, read_header, write_product
from platefiles.jobs.job_log import job_log, log
from platefiles.provenance.header_provenance import making_cards
from platefiles.provenance.record import record_hdu
from platefiles.settings.job import Names, StepJob

_NO_BETTER = "PSF matching: a kernel from the stars does not improve the match"


class Job(StepJob):
    """The channel to soften, and all matched channels."""

    channel: str
    channels: Names


def match_channel(
    paths_to_channels: Sequence[str | Path],
    paths_to_skies: Sequence[str | Path],
    path_to_matched: str | Path,
    job: Mapping[str, Any],
) -> None:
    """Write a channel with its gradient subtracted and its PSF matched to the softest channel.

    Parameters
    ----------
    paths_to_channels, paths_to_skies : sequence of path-like
        Integrated channels and the models of their skies, in the order of ``job.channels``.
    path_to_matched : path-like
        Product: ``SCI``, ``VAR``, ``MASK`` (1 no data, 4 within reach of a saturated core),
        ``COUNT``, ``CLIPPED``, ``INPUTS``. The channel with the widest stars is not convolved.
    job : mapping
        See `Job`.

    Raises
    ------
    UserError
        If the stars of the channel are too few for a kernel.
    """
    given = Job.of(job)
    names = given.channels
    own = names.index(given.channel)
    widths = [float(read_header(path).get("FWHM", 0.0)) for path in paths_to_skies]
    softest = widths.index(max(widths))
    channel = read_flat_channel(paths_to_channels[own], paths_to_skies[own])
    if own == softest:
        cards = [("MATCHED", "none")]
    else:
        other, _ = read_flat_image(paths_to_channels[softest], paths_to_skies[softest])
        stars = read_stars(paths_to_skies[own]), read_stars(paths_to_skies[softest])
        matching = matching_of((channel.image, other), stars, softened=0)
        del other  # before the convolution
        if matching.kernel is None:
            msg = (
                f"{paths_to_channels[own]}: too few isolated stars to match the channel "
                f"'{names[own]}' to '{names[softest]}'; set seeing: match to no in the recipe"
            )
            raise UserError(msg)
        cards = matching.cards((names[own], names[softest]))
        if matching.kernel.helps:
            channel = soften_channel(channel, matching.kernel)
        else:
            log.warning("the kernel does not improve the match of the stars: channel unchanged")
            cards = [("MATCHED", "none"), ("NOTDONE1", _NO_BETTER)]
    for keyword, value in cards:
        log.info("%s: %s %s", comment_of(keyword), keyword, value)
    sources = {"channels": paths_to_channels, "skies": paths_to_skies}
    world = handed_on_place(paths_to_channels[own])
    write_product(
        path_to_matched,
        [
            *making_cards("match_channel", job),
            *handed_on_cards(paths_to_channels[own]),
            ("NOISCORR", channel.noise_factor),
            *cards,
        ],
        [
            image_hdu(channel.image, "SCI", world, channel.unit),
            image_hdu(channel.variance, "VAR", world, square_unit(channel.unit)),
            image_hdu(_mask(channel), "MASK", world),
            *handed_on_planes(paths_to_channels[own]),
            record_hdu("match_channel", path_to_matched, job, sources),
        ],
    )


def _mask(channel: FlatChannel) -> np.ndarray:
    mask = channel.cores * np.uint8(CORE)
    mask[~np.isfinite(channel.image)] = NO_DATA
    return mask


if __name__ == "__main__":
    with job_log(snakemake.log[0], snakemake.params.job, snakemake.output[0]):
        match_channel(
            paths_to_channels=snakemake.input.channels,
            paths_to_skies=snakemake.input.skies,
            path_to_matched=snakemake.output[0],
            job=json.loads(snakemake.params.job),
        )
