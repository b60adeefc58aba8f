"""Draw the linear image as a picture: PNG, 16-bit TIFF, JPEG."""

import re
from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
from skimage.color import deltaE_ciede2000

from platefiles.core.errors import UserError
from platefiles.core.hashing import file_sha256
from platefiles.fits.products_io import has_image, read_image
from platefiles.fits.tables import read_columns, rows_of
from platefiles.fits.wcs_cards import picture_wcs, scaled_wcs
from platefiles.jobs.job_log import log
from platefiles.picture.avm import Band, avm_elements, bands_of
from platefiles.picture.picture_files import JPEG_QUALITY, Label, write_picture
from platefiles.provenance.header_provenance import creator
from platefiles.provenance.record import has_record, read_record, single_making
from platefiles.settings.job import JobSettings, StepJob
from platefiles.settings.picture import Crop, Finish, Stretch
from platelib.picture import postprocessing
from platelib.picture.render import Look, Rendering, render, shrunk_to
from platelib.picture.reproject_crop import common_part
from platelib.picture.stretch import AsinhCurve


class _Settings(JobSettings):
    stretch: Stretch
    finish: Finish
    geometry: Crop


class Job(StepJob):
    """The job of drawing: title and settings."""

    settings: _Settings
    title: str


def draw_picture(
    path_to_linear_image: Path,
    paths_to_pictures: Sequence[Path],
    stretch: Stretch,
    title: str,
    jpeg_quality: int = JPEG_QUALITY,
    job: Mapping[str, Any] | None = None,
    finish: Finish | None = None,
    crop: str = "common",
) -> Rendering:
    """Stretch the linear image and write it as picture files.

    Parameters
    ----------
    path_to_linear_image : Path
        From `map_channels`.
    paths_to_pictures : sequence of Path
        Written, each in the format of its ending: ``.png``, ``.tif`` or ``.jpg``. Their text
        fields say what they show, from which linear image, and with which constants. A name that
        ends with ``.1600px.jpg`` makes a smaller picture whose longer side has 1600 pixels.
    stretch : Stretch
        How the picture is to look.
    title : str
        What the picture shows.
    jpeg_quality : int
        From 1 to 100.
    job : mapping, optional
        The rule's job, for the record.
    finish : Finish, optional
        Which steps are taken beyond what the data say.
    crop : str
        ``common`` cuts off rows and columns at the edge that some channel does not cover; ``none``
        leaves them, in black.

    Returns
    -------
    Rendering
        What was drawn, and how.

    Raises
    ------
    UserError
        If there is nothing to draw in the linear image.
    """
    planes, header = read_image(path_to_linear_image)
    with_luminance = has_image(path_to_linear_image, "LUMINANCE")
    luminance = read_image(path_to_linear_image, "LUMINANCE")[0] if with_luminance else None
    part = _part(planes, luminance, crop)
    planes, luminance = planes[:, *part], None if luminance is None else luminance[part]
    saturation = None
    if has_image(path_to_linear_image, "CORES"):
        saturation = read_image(path_to_linear_image, "CORES")[0][part]
    try:
        rendering = render(
            planes,
            luminance,
            Look(**stretch.model_dump()),
            postprocessing.Finish(**(finish or Finish()).model_dump()),
            saturation,
        )
    except ValueError as error:
        msg = f"{path_to_linear_image}: {error}"
        raise UserError(msg) from error
    method = _method(rendering)
    rows, columns = part
    log.info(
        "columns %d to %d, rows %d to %d of the linear image, from 0",
        *(columns.start, columns.stop - 1, rows.start, rows.stop - 1),
    )
    log.info("%s", method)
    log.info("%d px interpolated, %d px left black", rendering.inpainted_px, rendering.black_px)
    sky = np.array(rendering.sky_lab)
    distance = deltaE_ciede2000(sky, sky * np.array([1.0, 0.0, 0.0]))
    log.info("sky: L* %.1f, a* %.2f, b* %.2f; CIEDE2000 from grey %.2f", *sky, distance)
    digest = f"sha256:{file_sha256(path_to_linear_image)}"
    cube = read_record(path_to_linear_image) if has_record(path_to_linear_image) else None
    bands, wcs = _bands(path_to_linear_image, len(planes)), picture_wcs(header)
    wcs = None if wcs is None else wcs.slice(part)
    for path in paths_to_pictures:
        pixels = shrunk_to(rendering.pixels, _longest_px(path))
        shape = pixels.shape[:2]
        avm = avm_elements(bands, wcs and scaled_wcs(wcs, rendering.pixels.shape[:2], shape), shape)
        label = Label(title, digest, method, creator(), cube.id if cube else "", avm=avm)
        if cube and job is not None:
            inputs = {"linear_image": (cube.making.product,)}
            label = replace(label, making=single_making("draw_picture", path, job, inputs))
        write_picture(path, pixels, label, jpeg_quality)
    return rendering


def _part(planes: np.ndarray, luminance: np.ndarray | None, crop: str) -> tuple[slice, slice]:
    """Return the rows and columns of the linear image to draw."""
    if crop == "none":
        return slice(0, planes.shape[1]), slice(0, planes.shape[2])
    extra = [] if luminance is None else [luminance[None]]
    return common_part(np.concatenate([planes, *extra]))


def _bands(path_to_linear_image: Path, colours: int) -> tuple[Band, ...]:
    if not has_image(path_to_linear_image, "INPUTS"):
        return ()
    return bands_of(rows_of(read_columns(path_to_linear_image, "INPUTS")), colours)


def _longest_px(path: Path) -> int | None:
    """Return the longer side given by the name of a picture."""
    found = re.search(r"\.([0-9]+)px\.[a-z]+$", path.name)
    return int(found[1]) if found else None


def _method(rendering: Rendering) -> str:
    text = f"the asinh stretch of Lupton et al. (2004): {_constants(rendering.curve)}"
    if rendering.luminance_curve is not None:
        text += f"; luminance: {_constants(rendering.luminance_curve)}"
    if rendering.shoulder < 1:
        text += f"; highlights rolled off from {rendering.shoulder:g} (Reinhard et al. 2002)"
    return "; ".join([text, *rendering.steps])


def _constants(curve: AsinhCurve) -> str:
    return f"minimum {curve.minimum:.6g}, stretch {curve.stretch:.6g}, Q {curve.softening:.6g}"


if __name__ == "__main__":
    import json

    from platefiles.jobs.job_log import job_log

    with job_log(snakemake.log[0], snakemake.params.job, snakemake.output[0]):
        job = Job.of(json.loads(snakemake.params.job))
        draw_picture(
            Path(snakemake.input.linear_image),
            [Path(path) for path in snakemake.output],
            job.settings.stretch,
            job.title,
            job=job.recorded,
            finish=job.settings.finish,
            crop=job.settings.geometry.crop,
        )
