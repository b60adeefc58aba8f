"""Draw annotations of the field over the picture, or alone as an overlay."""

import json
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np

from platefiles.astrometry.solution import MAGNITUDE, read_refusal, read_stars
from platefiles.fits.products_io import read_header
from platefiles.fits.tables import read_columns, rows_of
from platefiles.fits.wcs_cards import picture_wcs
from platefiles.jobs.job_log import job_log, log
from platefiles.picture.annotated_picture import (
    Drawing,
    StarMark,
    catalogue_ellipse,
    source_ellipse,
)
from platefiles.picture.annotation_metadata import drawn_label
from platefiles.picture.display_image import DisplayImage
from platefiles.picture.picture_files import write_picture, write_svg
from platefiles.picture.picture_wcs import map_of_wcs
from platefiles.settings.field import Annotation
from platefiles.settings.job import JobSettings, StepJob
from platefiles.sources.source_tables import read_objects
from platelib.astrometry.tan_sip import SkyMap

_BANDS = ("VT", "V", "G", "BP", "RP", "BT")


class _Settings(JobSettings):
    annotation: Annotation


class Job(StepJob):
    """The job of annotation: title and annotations."""

    settings: _Settings
    title: str


def annotate(
    path_to_display: str | Path,
    path_to_linear_image: str | Path,
    path_to_solution: str | Path,
    path_to_sources: str | Path,
    path_to_drawing: str | Path,
    job: Mapping[str, Any],
    threads: int = 1,
) -> None:
    """Draw grid, directions, objects and stars over a picture.

    Parameters
    ----------
    path_to_display : path-like
        The display image of the picture, with its place on the sky.
    path_to_linear_image : path-like
        The linear image that it was drawn from, which the metadata name.
    path_to_solution : path-like
        Place of the grid on the sky, with the stars of the catalogue.
    path_to_sources : path-like
        Sources, and objects of catalogues.
    path_to_drawing : path-like
        Written: ``.png``, the picture with the drawing, or ``.svg``, the drawing alone in the size
        of the picture. Both tell how they were made, and bear a seal.
    job : mapping
        See `Job`.
    threads : int
        Strips of the PNG compressed at a time; it changes no bit.
    """
    given = Job.of(job)
    picture = DisplayImage(path_to_display)
    shape, wcs = picture.shape, picture_wcs(picture.header)
    if wcs is None:
        log.warning("%s: only the picture is shown", read_refusal(path_to_solution))
        drawing = None
    else:
        drawing = _drawing(path_to_solution, path_to_sources, shape, map_of_wcs(wcs), given)
    inputs = {
        "display": path_to_display,
        "linear_image": path_to_linear_image,
        "solution": path_to_solution,
        "sources": path_to_sources,
    }
    what = "the picture with" if drawing is not None else "the picture without"
    label = drawn_label("annotate", path_to_drawing, job, inputs, f"{what} annotations")
    if Path(path_to_drawing).suffix == ".svg":
        write_svg(path_to_drawing, _empty(shape) if drawing is None else drawing.svg(), label)
    else:
        pixels = picture if drawing is None else drawing.over(picture)
        write_picture(path_to_drawing, pixels, label, threads=threads)


def _drawing(
    path_to_solution: str | Path,
    path_to_sources: str | Path,
    shape: tuple[int, int],
    sky_map: SkyMap,
    job: Job,
) -> Drawing:
    settings = job.settings.annotation
    objects = [
        catalogue_ellipse(row, sky_map)
        for row in _in_picture(read_objects(path_to_sources), sky_map, shape)
    ]
    objects.sort(key=lambda one: (-one.major_px, one.label))
    sources = [row for row in rows_of(read_columns(path_to_sources, "SOURCES")) if row["rank"]]
    sources.sort(key=lambda row: row["rank"])
    sources = _in_picture(sources, sky_map, shape)[: settings.extended_sources]
    scale = read_header(path_to_sources)["PIXSCALE"] / sky_map.scale_arcsec
    found = [source_ellipse(row, f"#{row['rank']}", sky_map, scale) for row in sources]
    stars = _star_marks(read_stars(path_to_solution), sky_map, shape, settings.stars_to_mag)
    log.info("%d objects, %d sources, %d stars", len(objects), len(found), len(stars))
    return Drawing(job.title, sky_map, shape, [*objects, *found], stars)


def _in_picture(
    rows: Sequence[Mapping[str, Any]], sky_map: SkyMap, shape: tuple[int, int]
) -> list[dict[str, Any]]:
    """Return the rows inside the picture, with their positions in it."""
    if not rows:
        return []
    x, y = sky_map.pixels([row["ra_deg"] for row in rows], [row["dec_deg"] for row in rows])
    inside = _inside(x, y, shape)
    return [
        {**row, "x": float(px), "y": float(py)}
        for row, px, py, shown in zip(rows, x, y, inside, strict=True)
        if shown
    ]


def _inside(x: np.ndarray, y: np.ndarray, shape: tuple[int, int]) -> np.ndarray:
    with np.errstate(invalid="ignore"):
        return (x > -0.5) & (x < shape[1] - 0.5) & (y > -0.5) & (y < shape[0] - 0.5)


def _star_marks(
    stars: Mapping[str, np.ndarray], sky_map: SkyMap, shape: tuple[int, int], faintest: float
) -> list[StarMark]:
    """Stars of the catalogue with their magnitudes, brightest first."""
    band = next((b for b in _BANDS if f"{MAGNITUDE}{b}" in stars), None)
    if band is None:
        return []
    x, y = sky_map.pixels(stars["ra"], stars["dec"])
    magnitude, shown = stars[f"{MAGNITUDE}{band}"], _inside(x, y, shape)
    return [
        StarMark(f"{magnitude[k]:.1f}", float(x[k]), float(y[k]))
        for k in np.lexsort((stars["ra"], magnitude)).tolist()
        if shown[k] and magnitude[k] <= faintest
    ]


def _empty(shape: tuple[int, int]) -> bytes:
    size = f'width="{shape[1]}" height="{shape[0]}"'
    return f'<svg xmlns="http://www.w3.org/2000/svg" {size}></svg>\n'.encode()


if __name__ == "__main__":
    with job_log(snakemake.log[0], snakemake.params.job, snakemake.output[0]):
        annotate(
            path_to_display=snakemake.input.display,
            path_to_linear_image=snakemake.input.linear_image,
            path_to_solution=snakemake.input.solution,
            path_to_sources=snakemake.input.sources,
            path_to_drawing=snakemake.output[0],
            job=json.loads(snakemake.params.job),
            threads=snakemake.threads,
        )
