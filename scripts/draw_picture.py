"""Draw the linear image: stretch it into the display values of a picture."""

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np
from pydantic import BaseModel, ConfigDict
from skimage.color import deltaE_ciede2000

from platefiles.core.errors import UserError
from platefiles.core.hashing import file_sha256
from platefiles.fits.grid_place import GridPlace
from platefiles.fits.products_io import has_image, map_image, read_header
from platefiles.fits.streaming_writer import StreamedProduct
from platefiles.fits.tables import columns_hdu
from platefiles.fits.wcs_cards import cropped_cards
from platefiles.jobs.job_log import log
from platefiles.picture.display_image import DRAWING
from platefiles.provenance.header_provenance import making_cards
from platefiles.provenance.record import record_hdu
from platefiles.settings.job import JobSettings, StepJob
from platefiles.settings.picture import Crop, Finish, Stretch
from platelib.picture import postprocessing
from platelib.picture.render import Renderer, Rendering
from platelib.picture.reproject_crop import beyond_part, covered_part
from platelib.picture.stretch import AsinhCurve, Look

_ROWS = 256

FACTS = {
    "method": "from linear light to display values, with constants",
    "colours": "1 for a grey picture, else 3",
    "linear_sha256": "SHA-256 of the file of the linear image",
    "inpainted_px": "pixels without data that were filled",
    "black_px": "pixels without data that are black",
    "sky_l": "mean light of the sky, CIE L*",
    "sky_a": "likewise, a*",
    "sky_b": "likewise, b*",
}
"""Columns of the table ``DRAWING``, which has one row."""


class _Settings(JobSettings):
    stretch: Stretch
    finish: Finish
    geometry: Crop


class Part(BaseModel):
    """A part of the grid: first and last column and row, from 1."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    columns: tuple[int, int]
    rows: tuple[int, int]


class Job(StepJob):
    """The job of drawing: settings, and the part of the grid that is shown at most."""

    settings: _Settings
    part: Part | None = None


def draw_picture(
    path_to_linear_image: str | Path,
    path_to_display: str | Path,
    stretch: Stretch,
    job: Mapping[str, Any] | None = None,
    finish: Finish | None = None,
    crop: str = "common",
    shown: Part | None = None,
    threads: int = 1,
) -> Rendering:
    """Stretch the linear image and write the display image.

    Parameters
    ----------
    path_to_linear_image : path-like
        From `map_channels`.
    path_to_display : path-like
        Written: ``SCI`` ``(3, ny, nx)`` uint16, sRGB display values of red, green and blue, with
        the place on the sky of the linear image; the table ``DRAWING`` tells how it was drawn.
    stretch : Stretch
        How the picture is to look.
    job : mapping, optional
        The rule's job, for the record.
    finish : Finish, optional
        Which steps are taken beyond what the data say.
    crop : str
        ``common`` cuts off rows and columns at the edge that some channel does not cover; ``none``
        leaves them, in black.
    shown : Part, optional
        The part of the grid that is shown at most, unless ``crop`` is ``none``.
    threads : int
        Strips drawn at a time; it changes no bit.

    Returns
    -------
    Rendering
        How it was drawn.

    Raises
    ------
    UserError
        If there is nothing to draw in the linear image.
    """
    path = path_to_linear_image
    images = [*map_image(path)]
    if has_image(path, "LUMINANCE"):
        images.append(map_image(path, "LUMINANCE"))
    header = read_header(path, "SCI")
    part = _part(images, crop, None if shown is None else _beyond(header, shown))
    saturation = map_image(path, "CORES")[part] if has_image(path, "CORES") else None
    finishing = postprocessing.Finish(**(finish or Finish()).model_dump())
    try:
        planes = _native(images, part)
        renderer = Renderer(planes, Look(**stretch.model_dump()), finishing, saturation)
    except ValueError as error:
        msg = f"{path}: {error}"
        raise UserError(msg) from error
    rows, columns = part
    log.info(
        "columns %d to %d, rows %d to %d of the linear image, from 0",
        *(columns.start, columns.stop - 1, rows.start, rows.stop - 1),
    )
    place = cropped_cards(header, rows.start, columns.start)
    if (lies := GridPlace.of(header)) is not None:
        place += lies.cropped(rows.start, columns.start).cards
    image = ((3, *renderer.shape), "u2", place, None)
    cards = [] if job is None else making_cards("draw_picture", job)
    with StreamedProduct(path_to_display, cards, {"SCI": image}) as product:

        def put(start: int, pixels: np.ndarray) -> None:
            planes = np.moveaxis(pixels, -1, 0)
            product.fill({"SCI": planes}, (start, start + len(pixels)))

        rendering = renderer.render(put, threads)
        hdus = [columns_hdu(_facts(rendering, renderer.colours, file_sha256(path)), DRAWING, FACTS)]
        if job is not None:
            hdus.append(record_hdu("draw_picture", path_to_display, job, {"linear_image": [path]}))
        product.finish(hdus, threads=threads)
    _report(rendering)
    return rendering


def _beyond(header: Any, shown: Part) -> np.ndarray:
    """Return the pixels of a linear image beyond a part of the grid."""
    (left, right), (bottom, top) = shown.columns, shown.rows
    place = GridPlace.of(header) or GridPlace()
    part = (slice(bottom - 1, top), slice(left - 1, right))
    return beyond_part((header["NAXIS2"], header["NAXIS1"]), part, place.matrix, place.shift)


def _part(
    images: Sequence[np.ndarray], crop: str, beyond: np.ndarray | None
) -> tuple[slice, slice]:
    """Return the rows and columns of the linear image to draw."""
    ny, nx = images[0].shape
    if crop == "none":
        return slice(0, ny), slice(0, nx)
    missing = np.zeros((ny, nx), dtype=bool)
    for image in images:
        for start in range(0, ny, _ROWS):
            missing[start : start + _ROWS] |= ~np.isfinite(image[start : start + _ROWS])
    return covered_part(missing, beyond)


def _native(images: Sequence[np.ndarray], part: tuple[slice, slice]) -> np.ndarray:
    """Return a part of images as ``(n, ny, nx)`` float32 of this machine."""
    rows, columns = part
    ny, nx = rows.stop - rows.start, columns.stop - columns.start
    planes = np.empty((len(images), ny, nx), dtype=np.float32)
    for image, plane in zip(images, planes, strict=True):
        for start in range(0, ny, _ROWS):
            stop = min(start + _ROWS, ny)
            plane[start:stop] = image[rows.start + start : rows.start + stop, columns]
    return planes


def _facts(rendering: Rendering, colours: int, source: str) -> dict[str, list[Any]]:
    """Return the row of the table ``DRAWING``."""
    gaps = rendering.inpainted_px, rendering.black_px
    values = (_method(rendering), colours, source, *gaps, *rendering.sky_lab)
    return {name: [value] for name, value in zip(FACTS, values, strict=True)}


def _method(rendering: Rendering) -> str:
    text = f"the asinh stretch of Lupton et al. (2004): {_constants(rendering.curve)}"
    if rendering.luminance_curve is not None:
        text += f"; luminance: {_constants(rendering.luminance_curve)}"
    if rendering.shoulder < 1:
        text += f"; highlights rolled off from {rendering.shoulder:g} (Reinhard et al. 2002)"
    return "; ".join([text, *rendering.steps])


def _constants(curve: AsinhCurve) -> str:
    return f"minimum {curve.minimum:.6g}, stretch {curve.stretch:.6g}, Q {curve.softening:.6g}"


def _report(rendering: Rendering) -> None:
    log.info("%s", _method(rendering))
    log.info("%d px interpolated, %d px left black", rendering.inpainted_px, rendering.black_px)
    sky = np.array(rendering.sky_lab)
    distance = deltaE_ciede2000(sky, sky * np.array([1.0, 0.0, 0.0]))
    log.info("sky: L* %.1f, a* %.2f, b* %.2f; CIEDE2000 from grey %.2f", *sky, distance)


if __name__ == "__main__":
    import json

    from platefiles.jobs.job_log import job_log

    with job_log(snakemake.log[0], snakemake.params.job, snakemake.output[0]):
        job = Job.of(json.loads(snakemake.params.job))
        draw_picture(
            snakemake.input.linear_image,
            snakemake.output[0],
            job.settings.stretch,
            job.recorded,
            job.settings.finish,
            job.settings.geometry.crop,
            job.part,
            snakemake.threads,
        )
