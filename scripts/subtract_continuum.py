"""Subtract the continuum from a narrowband channel, by a broadband channel."""

import json
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from platefiles.channels.background_subtracted import (
    handed_on_cards,
    handed_on_place,
    handed_on_planes,
    read_flat_channel,
    read_sky,
    read_stars,
    square_unit,
)
from platefiles.channels.continuum_subtracted import line_light
from platefiles.fits.product_cards import comment_of
from platefiles.fits.products_io import image_hdu, read_header, write_product
from platefiles.jobs.job_log import job_log, log
from platefiles.provenance.header_provenance import making_cards
from platefiles.provenance.record import record_hdu
from platefiles.settings.channels import Continua
from platefiles.settings.job import JobSettings, StepJob


class _Settings(JobSettings):
    continuum: Continua


class Job(StepJob):
    """The job of continuum subtraction: the narrowband channel and settings."""

    settings: _Settings
    channel: str


def subtract_continuum(
    paths_to_channels: Sequence[str | Path],
    paths_to_skies: Sequence[str | Path],
    path_to_line: str | Path,
    job: Mapping[str, Any],
) -> None:
    """Write a narrowband channel minus a broadband one, both without gradients.

    Parameters
    ----------
    paths_to_channels, paths_to_skies : sequence of path-like
        The narrowband channel and the broadband one, and the models of their skies.
    path_to_line : path-like
        Product: ``SCI``, ``VAR``, ``MASK`` (see
        `platefiles.channels.continuum_subtracted.LineLight`), ``COUNT``, ``CLIPPED`` and ``INPUTS``
        of the narrowband channel. Its sky has the level that it had.
    job : mapping
        See `Job`.

    Raises
    ------
    UserError
        If the channels do not fit each other, or the stars do not tell the scale.
    """
    given = Job.of(job)
    choice = given.settings.continuum[given.channel]
    names = (given.channel, choice.minus)
    # Both channels are handed over, so that what is not needed any more is freed.
    line = line_light(
        read_flat_channel(paths_to_channels[0], paths_to_skies[0]),
        read_flat_channel(paths_to_channels[1], paths_to_skies[1]),
        (read_stars(paths_to_skies[0]), read_stars(paths_to_skies[1])),
        read_sky(paths_to_skies[1]).level,
        choice,
        names,
        convolve=not all(_is_matched(path) for path in paths_to_channels),
    )
    unit = read_header(paths_to_channels[0], "SCI").get("BUNIT")
    cards = line.cards(names)
    for keyword, value in cards:
        log.info("%s: %s %s", comment_of(keyword), keyword, value)
    sources = {"channels": paths_to_channels, "skies": paths_to_skies}
    world = handed_on_place(paths_to_channels[0])
    write_product(
        path_to_line,
        [
            *making_cards("subtract_continuum", job),
            *handed_on_cards(paths_to_channels[0]),
            ("NOISCORR", line.noise_factor),
            *cards,
        ],
        [
            image_hdu(line.image, "SCI", world, unit),
            image_hdu(line.variance, "VAR", world, square_unit(unit)),
            image_hdu(line.mask, "MASK", world),
            *handed_on_planes(paths_to_channels[0]),
            record_hdu("subtract_continuum", path_to_line, job, sources),
        ],
    )


def _is_matched(path: str | Path) -> bool:
    """Return whether a channel is PSF-matched."""
    return bool(read_header(path).get("STEP") == "match_channel")


if __name__ == "__main__":
    with job_log(snakemake.log[0], snakemake.params.job, snakemake.output[0]):
        subtract_continuum(
            paths_to_channels=snakemake.input.channels,
            paths_to_skies=snakemake.input.skies,
            path_to_line=snakemake.output[0],
            job=json.loads(snakemake.params.job),
        )
