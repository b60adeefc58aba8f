"""Encode the display image as a picture file: PNG, 16-bit TIFF, or JPEG of any size."""

import re
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

from platefiles.fits.grid_place import GridPlace
from platefiles.fits.products_io import has_image
from platefiles.fits.tables import read_columns, rows_of
from platefiles.fits.wcs_cards import picture_wcs, scaled_wcs
from platefiles.jobs.job_log import log
from platefiles.picture.annotation_metadata import drawn_label
from platefiles.picture.avm import avm_elements, bands_of
from platefiles.picture.display_image import DisplayImage
from platefiles.picture.picture_files import JPEG_QUALITY, write_picture
from platefiles.settings.job import JobSettings, StepJob
from platelib.picture.reduced import shrunk_to


class Job(StepJob):
    """The job of encoding: title."""

    settings: JobSettings
    title: str


def encode_picture(
    path_to_display: str | Path,
    path_to_linear_image: str | Path,
    path_to_picture: str | Path,
    job: Mapping[str, Any],
    jpeg_quality: int = JPEG_QUALITY,
    threads: int = 1,
) -> None:
    """Write a picture file.

    Parameters
    ----------
    path_to_display : path-like
        Display image, from `draw_picture`.
    path_to_linear_image : path-like
        The linear image that it was drawn from; its table ``INPUTS`` tells the passbands.
    path_to_picture : path-like
        Written, in the format of its ending: ``.png``, ``.tif`` or ``.jpg``. Its text fields say
        what it shows, from which linear image, and with which constants. A name that ends with
        ``.1600px.jpg`` makes a smaller picture whose longer side has 1600 pixels.
    job : mapping
        The rule's job: ``title``.
    jpeg_quality : int
        From 1 to 100.
    threads : int
        Strips of a PNG compressed at a time; it changes no bit.
    """
    display = DisplayImage(path_to_display)
    pixels = shrunk_to(display, _longest_px(Path(path_to_picture)))
    bands = ()
    if has_image(path_to_linear_image, "INPUTS"):
        bands = bands_of(rows_of(read_columns(path_to_linear_image, "INPUTS")), display.colours)
    wcs = picture_wcs(display.header)
    avm = avm_elements(bands, wcs and scaled_wcs(wcs, display.shape, pixels.shape), pixels.shape)
    place = GridPlace.of(display.header)
    grid = place.resized(display.shape, pixels.shape).text if place else ""
    inputs = {"display": path_to_display, "linear_image": path_to_linear_image}
    label = drawn_label("encode_picture", path_to_picture, job, inputs, display.method)
    write_picture(
        path_to_picture, pixels, replace(label, avm=avm, grid=grid), jpeg_quality, threads
    )
    log.info("%d x %d px", *pixels.shape[::-1])


def _longest_px(path: Path) -> int | None:
    """Return the longer side given by the name of a picture."""
    found = re.search(r"\.([0-9]+)px\.[a-z]+$", path.name)
    return int(found[1]) if found else None


if __name__ == "__main__":
    import json

    from platefiles.jobs.job_log import job_log

    with job_log(snakemake.log[0], snakemake.params.job, snakemake.output[0]):
        job = Job.of(json.loads(snakemake.params.job))
        encode_picture(
            snakemake.input.display,
            snakemake.input.linear_image,
            snakemake.output[0],
            job.recorded,
            threads=snakemake.threads,
        )
