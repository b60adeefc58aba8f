"""Draw the contact sheet: each channel alone, the sky models, and the pictures."""

from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

from platefiles.channels.background_subtracted import read_sky
from platefiles.core.errors import UserError
from platefiles.fits.image_rows import ImageRows
from platefiles.fits.products_io import read_header
from platefiles.jobs.job_log import log
from platefiles.picture.display_image import DisplayImage
from platefiles.picture.overview_picture import Panel, draw_sheet
from platefiles.picture.picture_files import Label, write_picture
from platefiles.provenance.header_provenance import creator
from platefiles.provenance.record import single_making
from platefiles.settings.job import JobSettings, StepJob
from platefiles.settings.picture import Tone
from platelib.picture.contact_sheet import channel_panels, model_panel, picture_panel
from platelib.picture.stretch import Look

WIDEST_PX = 480
"""Longer side of a panel, pixels."""


class _Settings(JobSettings):
    stretch: Tone


class Job(StepJob):
    """The job of the contact sheet: title and settings."""

    settings: _Settings
    title: str


def contact_sheet(
    paths_to_channels: Mapping[str, Path],
    paths_to_skies: Mapping[str, Path],
    paths_to_displays: Sequence[Path],
    path_to_sheet: Path,
    stretch: Tone,
    title: str,
    job: Mapping[str, Any] | None = None,
) -> None:
    """Draw the contact sheet.

    Parameters
    ----------
    paths_to_channels : mapping of str to Path
        Integrated channels by name. All are shown by one curve, in units of their own noise.
    paths_to_skies : mapping of str to Path
        Models of the sky of `subtract_gradient` by channel, as far as there are any.
    paths_to_displays : sequence of Path
        The display image of each picture.
    path_to_sheet : Path
        Written: a PNG.
    stretch : Tone
        Level of the sky, black and white.
    title : str
        Name of the target.
    job : mapping, optional
        The rule's job, for the record.

    Raises
    ------
    UserError
        If a channel has nothing to show.
    """
    try:
        panels = _channels(paths_to_channels, _look(stretch))
    except ValueError as error:
        msg = f"{', '.join(map(str, paths_to_channels.values()))}: {error}"
        raise UserError(msg) from error
    panels += [_sky(name, path) for name, path in paths_to_skies.items()]
    panels += [
        Panel(picture_panel(DisplayImage(path), WIDEST_PX), path.name.split(".")[0], title)
        for path in paths_to_displays
    ]
    method = f"contact sheet of {len(panels)} panels; channels by one curve in units of their noise"
    log.info("%s", method)
    label = Label(title, "", method, creator())
    if job is not None:
        label = replace(label, making=single_making("contact_sheet", path_to_sheet, job, {}))
    write_picture(path_to_sheet, draw_sheet(panels), label)


def _look(stretch: Tone) -> Look:
    shoulder = stretch.shoulder
    return Look(
        stretch.sky_level, stretch.black_sigma, stretch.white_clip_fraction, shoulder=shoulder
    )


def _channels(paths: Mapping[str, Path], look: Look) -> list[Panel]:
    images = {name: ImageRows.of(path) for name, path in paths.items()}
    shown, _ = channel_panels(images, look, WIDEST_PX)
    return [Panel(shown[name], name, _about(path)) for name, path in paths.items()]


def _about(path: Path) -> str:
    header = read_header(path)
    parts = [f"{header['WAVELEN']:g} nm"] if "WAVELEN" in header else []
    if "NCOMBINE" in header:
        count = header["NCOMBINE"]
        parts.append(f"{count} sub{'' if count == 1 else 's'}")
    if "EXPTIME" in header:
        parts.append(f"{header['EXPTIME'] / 60:.0f} min")
    return ", ".join(parts)


def _sky(channel: str, path: Path) -> Panel:
    shown, low, high = model_panel(read_sky(path), WIDEST_PX)
    header = read_header(path, "SKY")
    unit = f" {header['BUNIT']}" if "BUNIT" in header else ""
    return Panel(shown, f"sky of {channel}", f"{low:.4g} to {high:.4g}{unit}")


if __name__ == "__main__":
    import json

    from platefiles.jobs.job_log import job_log

    with job_log(snakemake.log[0], snakemake.params.job, snakemake.output[0]):
        job = Job.of(json.loads(snakemake.params.job))
        contact_sheet(
            {Path(path).stem: Path(path) for path in snakemake.input.channels},
            {Path(path).stem: Path(path) for path in snakemake.input.skies},
            [Path(path) for path in snakemake.input.displays],
            Path(snakemake.output[0]),
            job.settings.stretch,
            job.title,
            job.recorded,
        )
