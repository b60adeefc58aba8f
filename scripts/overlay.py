"""Show another image of the same sky beside the picture and blended with it."""

import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np

from platefiles.core.errors import UserError
from platefiles.fits.checked_read import check_file
from platefiles.fits.wcs_cards import picture_wcs
from platefiles.jobs.job_log import job_log, log
from platefiles.picture.annotation_metadata import drawn_label
from platefiles.picture.display_image import DisplayImage
from platefiles.picture.overlay_image import laid_on_grid
from platefiles.picture.picture_files import write_picture
from platefiles.picture.side_by_side_picture import Sheet
from platefiles.settings.job import JobSettings, StepJob
from platefiles.settings.picture import Stretch
from platelib.picture.render import Renderer
from platelib.picture.side_by_side import Blend, Grey
from platelib.picture.stretch import Look


class _Settings(JobSettings):
    stretch: Stretch


class Job(StepJob):
    """The job of the overlay: titles and settings.

    Attributes
    ----------
    title, image : str
        Of the picture and of the image beside it.
    image_sha256 : str or None
    """

    settings: _Settings
    title: str
    image: str
    image_sha256: str | None


def overlay(
    path_to_display: str | Path,
    path_to_linear_image: str | Path,
    path_to_image: str | Path,
    path_to_overlay: str | Path,
    job: Mapping[str, Any],
    threads: int = 1,
) -> None:
    """Resample the user's image onto the grid and draw it beside the picture.

    Parameters
    ----------
    path_to_display : path-like
        The display image of the picture, with its place on the sky.
    path_to_linear_image : path-like
        The linear image that it was drawn from, which the metadata name.
    path_to_image : path-like
        The user's image, FITS with world coordinates.
    path_to_overlay : path-like
        Written: PNG with the picture, the image, and the brightness of both, the image in red and
        the picture in green and blue. It tells how it was made, and bears a seal.
    job : mapping
        See `Job`.
    threads : int
        Strips drawn and compressed at a time; it changes no bit.

    Raises
    ------
    UserError
        If the field has no astrometric solution, or the image does not show it.
    """
    given = Job.of(job)
    check_file(path_to_image, given.image_sha256)
    picture = DisplayImage(path_to_display)
    place = picture_wcs(picture.header)
    if place is None:
        msg = "no overlay can be drawn: the picture has no astrometric solution"
        raise UserError(f"{msg}; field/solution.fits gives the reason (NOTPLACE)")
    laid = laid_on_grid(path_to_image, place, picture.shape)
    covered = np.isfinite(laid)
    log.info("%s covers %.0f %% of the picture", given.image, 100 * covered.mean())
    try:
        levels = _drawn(laid, Look(**given.settings.stretch.model_dump()), threads)
    except ValueError as why:
        msg = f"{path_to_image}: {why}; give another image under sky, overlays"
        raise UserError(msg) from why
    del laid  # which is as large as all that is still needed
    labels = (given.title, given.image, f"{given.image} in red, the picture in green and blue")
    sheet = Sheet([picture, Grey(levels), Blend(picture, levels, covered)], labels)
    inputs = {"display": path_to_display, "linear_image": path_to_linear_image}
    method = f"the picture beside {given.image}, and both blended"
    label = drawn_label("overlay", path_to_overlay, job, inputs, method)
    write_picture(path_to_overlay, sheet, label, threads=threads)


def _drawn(image: np.ndarray, look: Look, threads: int) -> np.ndarray:
    """Return the display values of an image ``(ny, nx)``, whose gaps are filled in place."""
    levels = np.empty(image.shape, dtype=np.uint16)

    def put(start: int, pixels: np.ndarray) -> None:
        levels[start : start + len(pixels)] = pixels[..., 0]

    Renderer(image[None], look).render(put, threads)
    return levels


if __name__ == "__main__":
    with job_log(snakemake.log[0], snakemake.params.job, snakemake.output[0]):
        overlay(
            path_to_display=snakemake.input.display,
            path_to_linear_image=snakemake.input.linear_image,
            path_to_image=snakemake.input.image,
            path_to_overlay=snakemake.output[0],
            job=json.loads(snakemake.params.job),
            threads=snakemake.threads,
        )
