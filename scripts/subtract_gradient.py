"""Model the sky of an integrated channel, and list its stars."""

import json
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np

from platefiles.core.errors import UserError
from platefiles.fits.products_io import image_hdu, map_image, read_header, read_image, write_product
from platefiles.fits.tables import columns_hdu
from platefiles.fits.wcs_cards import coarser_cards
from platefiles.jobs.job_log import job_log, log
from platefiles.provenance.header_provenance import making_cards
from platefiles.provenance.record import record_hdu
from platefiles.settings.gradient import Gradient
from platefiles.settings.job import JobSettings, StepJob
from platefiles.settings.measure import StarSearch
from platefiles.subs.saturated_cores import core_discs
from platelib.background.block_average import BLOCK_PX, mean_blocks
from platelib.background.model import SkyModel, model_sky
from platelib.background.surface import RING
from platelib.colour.star_cores import saturated_cores
from platelib.detection.channel_stars import (
    Width,
    channel_stars,
    variance_of_light,
    width_of,
)
from platelib.detection.star_table import STAR

_CELL_COLUMNS = {
    "x": "mean x of the sky pixels, 0-based",
    "y": "mean y of the sky pixels, 0-based",
    "level": "median of the means of 4 x 4 pixel blocks",
    "error": "standard error of the median",
    "counted": "whether the cell is no outlier",
}


class _Settings(JobSettings):
    gradient: Gradient
    measure: StarSearch


class Job(StepJob):
    """The job of the sky model: channel and settings."""

    settings: _Settings
    channel: str


def subtract_gradient(path_to_channel: str | Path, path_to_sky: str | Path, job: Mapping[str, Any]):
    """Write the model of a channel's sky.

    Parameters
    ----------
    path_to_channel : path-like
        Integrated channel: ``SCI``, ``VAR``.
    path_to_sky : path-like
        Product: ``SKY`` and ``ERROR``, the surface and its uncertainty at the nodes of a mesh;
        ``LIGHT``, what was no sky, a pixel for 4 x 4 of the channel; tables ``CELLS`` and
        ``STARS``. The images have the channel's place on the sky.
    job : mapping
        See `Job`.

    Raises
    ------
    UserError
        If nothing of the channel can serve as sky.
    """
    given = Job.of(job)
    image, header = read_image(path_to_channel)
    sky, wanted = given.settings.gradient, given.settings.measure
    try:
        blocks = mean_blocks(image, map_image(path_to_channel, "VAR"))
        model = model_sky(blocks, sky.surface, sky.degree, sky.mask_sigma)
    except ValueError as error:
        msg = f"{path_to_channel}: {error}; a larger overlap of its subs is needed"
        raise UserError(msg) from error
    light_variance = variance_of_light(blocks, np.median(model.cells.level), BLOCK_PX**2)
    del blocks
    cores = saturated_cores(image, float(read_header(path_to_channel).get("SATURATE", np.inf)))
    cores = cores | core_discs(path_to_channel, image.shape)
    stars = channel_stars(
        image, cores, light_variance, wanted.detection_sigma, wanted.aperture_fwhm, wanted.max_stars
    )
    width = width_of(stars)
    _report(model, sky, width)
    unit = header.get("BUNIT")
    world = coarser_cards(header, model.surface.lattice.pitch_px, RING)
    hdus = [
        image_hdu(model.surface.values, "SKY", [*_surface_cards(model, sky), *world], unit),
        image_hdu(model.surface.errors, "ERROR", [*_mesh_cards(model), *world], unit),
        image_hdu(model.light.astype(np.uint8), "LIGHT", coarser_cards(header, BLOCK_PX)),
        columns_hdu(_cell_columns(model), "CELLS", _CELL_COLUMNS, unit or ""),
        columns_hdu({name: stars[name] for name in STAR.names or ()}, "STARS", of_image=unit or ""),
        record_hdu("subtract_gradient", path_to_sky, job, {"channel": [path_to_channel]}),
    ]
    cards = [
        *making_cards("subtract_gradient", job),
        ("CHANNEL", given.channel),
        *_width_cards(width),
    ]
    write_product(path_to_sky, cards, hdus)


def _mesh_cards(model: SkyModel) -> list[tuple]:
    ny, nx = model.surface.lattice.shape
    return [
        ("GRIDNX", nx),
        ("GRIDNY", ny),
        ("NODEPX", model.surface.lattice.pitch_px),
        ("NODERING", RING),
    ]


def _surface_cards(model: SkyModel, sky: Gradient) -> list[tuple]:
    cards = [
        *_mesh_cards(model),
        ("SURFACE", sky.surface),
        ("SKYMEAN", float(f"{model.surface.level:.7g}")),
        ("SKYRANGE", float(f"{model.surface.range:.5g}")),
        ("SKYERR", _median(model.surface.errors[RING:-RING, RING:-RING])),
        ("CELLERR", _median(model.cells.error)),
        ("CELLSCAT", round(model.scatter, 4)),
        ("NCELLS", len(model.cells)),
        ("NCELLOUT", int(np.sum(~model.counted))),
        ("LIGHTSHR", round(float(model.light.mean()), 4)),
    ]
    if sky.surface == "chebyshev":
        cards.append(("DEGREE", model.degree))
    if model.note:
        cards.append(("NOTDONE1", model.note))
    return cards


def _width_cards(width: Width) -> list[tuple]:
    cards: list[tuple] = [("NSTARS", width.stars)]
    if width.stars:
        cards += [
            ("FWHM", width.fwhm_px),
            ("FWHMERR", width.error_px),
            ("ELLIPT", width.ellipticity),
        ]
    return cards


def _cell_columns(model: SkyModel) -> dict[str, np.ndarray]:
    cells = model.cells
    return {
        "x": cells.x,
        "y": cells.y,
        "level": cells.level,
        "error": cells.error,
        "counted": model.counted.astype(np.uint8),
    }


def _median(values: np.ndarray | Sequence[float]) -> float:
    return float(f"{np.median(values):.4g}")


def _report(model: SkyModel, sky: Gradient, width: Width) -> None:
    log.info(
        "%s through %d cells of sky: from lowest to highest %.4g, error %.2g; %.0f %% is light",
        sky.surface,
        len(model.cells),
        model.surface.range,
        np.median(model.surface.errors),
        100 * model.light.mean(),
    )
    log.info("stars: FWHM %.3f px (%d stars)", width.fwhm_px, width.stars)
    if model.note:
        log.warning("%s", model.note)


if __name__ == "__main__":
    with job_log(snakemake.log[0], snakemake.params.job, snakemake.output[0]):
        subtract_gradient(
            path_to_channel=snakemake.input.channel,
            path_to_sky=snakemake.output[0],
            job=json.loads(snakemake.params.job),
        )
