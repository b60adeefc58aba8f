"""The linear colour cube as pictures to look at: PNG, 16-bit TIFF, JPEG."""

from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from platefiles.errors import UserError
from platefiles.fitsfile import has_image, read_image
from platefiles.joblog import log
from platefiles.pictures import JPEG_QUALITY, Label, write_picture
from platefiles.provenance import creator, file_sha256
from platefiles.recipe import Finish, Stretch
from platefiles.record import has_record, read_record, single_making
from platelib import finishing
from platelib.cielab import delta_e_2000
from platelib.rendering import Look, Rendering, render
from platelib.stretch import AsinhCurve


def composite(
    path_to_cube: Path,
    paths_to_pictures: Sequence[Path],
    stretch: Stretch,
    title: str,
    jpeg_quality: int = JPEG_QUALITY,
    job: Mapping[str, Any] | None = None,
    finish: Finish | None = None,
) -> Rendering:
    """Stretch the linear cube and write it as picture files.

    Parameters
    ----------
    path_to_cube : Path
        From `map_channels`.
    paths_to_pictures : sequence of Path
        Written, each in the format of its ending: ``.png``, ``.tif`` or ``.jpg``. They say in
        their text fields what they show, from which cube, and with which constants.
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

    Returns
    -------
    Rendering
        What was drawn, and how.

    Raises
    ------
    UserError
        If there is nothing to draw in the cube.
    """
    planes, _ = read_image(path_to_cube)
    with_luminance = has_image(path_to_cube, "LUMINANCE")
    luminance = read_image(path_to_cube, "LUMINANCE")[0] if with_luminance else None
    try:
        rendering = render(
            planes,
            luminance,
            Look(**stretch.model_dump()),
            finishing.Finish(**(finish or Finish()).model_dump()),
        )
    except ValueError as error:
        msg = f"{path_to_cube}: {error}"
        raise UserError(msg) from error
    method = _method(rendering)
    log.info("%s", method)
    log.info("%d px mended, %d px left black", rendering.mended_px, rendering.black_px)
    sky = np.array(rendering.sky_lab)
    distance = delta_e_2000(sky, sky * np.array([1.0, 0.0, 0.0]))
    log.info("sky: L* %.1f, a* %.2f, b* %.2f; CIEDE2000 from grey %.2f", *sky, distance)
    digest = f"sha256:{file_sha256(path_to_cube)}"
    cube = read_record(path_to_cube) if has_record(path_to_cube) else None
    for path in paths_to_pictures:
        label = Label(title, digest, method, creator(), cube.id if cube else "")
        if cube and job is not None:
            inputs = {"cube": (cube.making.product,)}
            label = replace(label, making=single_making("composite", path, job, inputs))
        write_picture(path, rendering.pixels, label, jpeg_quality)
    return rendering


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

    from platefiles.joblog import job_log

    with job_log(snakemake.log[0], snakemake.params.job):
        job = json.loads(snakemake.params.job)
        settings = job["settings"]
        composite(
            Path(snakemake.input.cube),
            [Path(path) for path in snakemake.output],
            Stretch.model_validate(settings["stretch"]),
            settings["title"],
            job=job,
            finish=Finish.model_validate(settings["finish"]),
        )
