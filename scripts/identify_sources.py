"""Find stars and extended sources in the field, and match them with catalogues."""

import json
import math
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np

from platefiles.astrometry.solution import read_map, read_stars
from platefiles.fits.products_io import read_header, read_image, write_product
from platefiles.jobs.job_log import job_log, log
from platefiles.photometry.depth_table import read_depths
from platefiles.provenance.header_provenance import making_cards
from platefiles.provenance.record import record_hdu
from platefiles.settings.job import Names, StepJob
from platefiles.sources.deep_sky_catalogues import open_ngc, own_list
from platefiles.sources.source_tables import sources_hdus
from platelib.astrometry.tan_sip import SkyMap
from platelib.sources.background_subtracted import field_sky
from platelib.sources.crossmatch import CatalogueObject, match_objects, match_stars
from platelib.sources.extract import find_sources, no_sources
from platelib.sources.source_properties import (
    magnitudes,
    position_angles,
    ranks,
)

_CELL_PX = 256
_CELLS_ACROSS = 4
_STAR_REACH_PX = 2.5
_MARGIN_SHARE = 1.05


class Job(StepJob):
    """The job of the search: channels in order, and the luminance channel, if any."""

    channels: Names
    luminance: str | None


def identify_sources(
    path_to_solution: str | Path,
    path_to_depth: str | Path,
    paths_to_channels: Sequence[str | Path],
    path_to_objects: str | Path | None,
    path_to_sources: str | Path,
    job: Mapping[str, Any],
) -> None:
    """Write the sources of a project.

    Parameters
    ----------
    path_to_solution : path-like
        Place of the grid on the sky.
    path_to_depth : path-like
        Depth of the channels, which tells the deepest, and their zero points.
    paths_to_channels : sequence of path-like
        In the order of ``job.channels``.
    path_to_objects : path-like or None
        List of objects of the user's.
    path_to_sources : path-like
        Product: ``SOURCES``, and ``OBJECTS`` where a catalogue has some in the field.
    job : mapping
        See `Job`.
    """
    given = Job.of(job)
    depths = {row["channel"]: row for row in read_depths(path_to_depth)}
    name = given.luminance or _deepest(depths)
    path = paths_to_channels[given.channels.index(name)]
    image, _ = read_image(path)
    variance, _ = read_image(path, "VAR")
    cell = min(_CELL_PX, max(32, min(image.shape) // _CELLS_ACROSS))
    table, note = _sources(image, variance, cell)
    sky_map = read_map(path_to_solution)
    zero_point = depths[name]["zero_point_mag"] if name in depths else math.nan
    own = [] if path_to_objects is None else own_list(path_to_objects)
    objects = [] if sky_map is None else _objects_in_field(sky_map, image.shape, own)
    columns, rows = _identified(table, sky_map, zero_point, objects, read_stars(path_to_solution))
    _report(name, columns, rows)
    header = read_header(path_to_solution)
    cards = [
        *making_cards("identify_sources", job),
        ("CHANNEL", name),
        ("STARCAT", header["STARCAT"]),
    ]
    if note:
        cards.append(("SRCNOTE", note))
    if sky_map is not None:
        cards.append(("PIXSCALE", round(sky_map.scale_arcsec, 6)))
    if math.isfinite(zero_point):
        cards.append(("MAGZERO", zero_point))
    inputs: dict[str, Sequence[str | Path]] = {
        "solution": [path_to_solution],
        "depth": [path_to_depth],
        "channels": paths_to_channels,
    }
    texts = {}
    if path_to_objects is not None:
        texts["objects"] = Path(path_to_objects).read_text(encoding="utf-8-sig")
    record = record_hdu("identify_sources", path_to_sources, job, inputs, texts)
    write_product(path_to_sources, cards, [*sources_hdus(columns, rows), record])


def _sources(
    image: np.ndarray, variance: np.ndarray, cell_px: int
) -> tuple[Mapping[str, np.ndarray], str]:
    """Find the sources, with a remark; none without stars for the PSF."""
    try:
        sources = find_sources(field_sky(image, variance, cell_px=cell_px))
    except ValueError as why:
        note = f"no sources are listed:  {why}"
        log.warning("%s", note)
        return no_sources(), note
    if sources.remark:
        log.warning("%s", sources.remark)
    return sources.table, sources.remark


def _deepest(depths: Mapping[str, Mapping[str, Any]]) -> str:
    """Return the channel with the lowest noise relative to the light of a star."""
    known = {name: row["noise_over_star"] for name, row in depths.items()}
    return min(known, key=lambda name: known[name] if known[name] == known[name] else math.inf)


def _objects_in_field(
    sky_map: SkyMap, shape: tuple[int, ...], own: Sequence[CatalogueObject]
) -> list[tuple[CatalogueObject, float, float]]:
    """Return the objects with their centre in the field and their positions, the user's first."""
    ny, nx = shape
    ra, dec = sky_map.sky((nx - 1) / 2, (ny - 1) / 2)
    corner = sky_map.scale_arcsec * math.hypot(nx, ny) / 2 / 3600
    known = open_ngc(float(ra), float(dec), _MARGIN_SHARE * corner)
    found = []
    for one in [*own, *known]:
        x, y = (float(value) for value in sky_map.pixels(one.ra_deg, one.dec_deg))
        if -0.5 < x < nx - 0.5 and -0.5 < y < ny - 0.5:
            found.append((one, round(x, 3), round(y, 3)))
    return found


def _identified(
    table: Mapping[str, np.ndarray],
    sky_map: SkyMap | None,
    zero_point: float,
    objects: Sequence[tuple[CatalogueObject, float, float]],
    stars: Mapping[str, np.ndarray],
) -> tuple[dict[str, np.ndarray], list[dict[str, Any]]]:
    """Return the columns of ``SOURCES`` and the rows of ``OBJECTS``."""
    x, y, count = table["x"], table["y"], table["x"].size
    ra, dec = np.full((2, count), np.nan) if sky_map is None else sky_map.sky(x, y)
    star_names = np.full(count, "", dtype="U40")
    if stars:
        matched = match_stars(x, y, stars["x"], stars["y"], _STAR_REACH_PX)
        found = matched >= 0
        star_names[matched[found]] = stars["source"][found].astype("U40")
    extended = table["extended"] & (star_names == "")
    names, kinds = np.full((2, count), "", dtype="U60")
    catalogue = [one for one, _, _ in objects]
    belongs = match_objects(ra, dec, table["flux"], extended, catalogue)
    missed = belongs < 0  # a star of a catalogue, or a galaxy too small to look extended
    again = match_objects(ra, dec, table["flux"], names == "", catalogue)
    for k, (one, i) in enumerate(zip(catalogue, belongs.tolist(), strict=True)):
        i = int(again[k]) if missed[k] and again[k] not in belongs else i
        belongs[k] = i
        if i >= 0:
            names[i], kinds[i] = one.name, one.kind
    inside = table["inside"]
    catalogued = (names != "") | (star_names != "")
    known_host = (inside >= 0) & (names[inside] != "")
    magnitude, error = magnitudes(table["flux"], table["flux_error"], zero_point)
    columns = {
        "number": np.arange(1, count + 1, dtype=np.int32),
        "kind": np.where(extended, "extended", "star"),
        "ra_deg": np.round(ra, 7),
        "dec_deg": np.round(dec, 7),
        "x": x,
        "y": y,
        "magnitude": magnitude,
        "magnitude_error": error,
        **{k: table[k] for k in ("snr", "half_light_px", "major_px", "minor_px", "excess_sigma")},
        "angle_deg": position_angles(x, y, table["angle_deg"], sky_map),
        "saturated": table["saturated"],
        "inside": (inside + 1).astype(np.int32),
        "object": names,
        "object_kind": kinds,
        "star": star_names,
        "rank": ranks(extended & ~catalogued & ~known_host, table["snr"], inside >= 0),
    }
    rows = [
        {
            "name": one.name,
            "kind": one.kind,
            "catalogue": one.catalogue,
            "ra_deg": one.ra_deg,
            "dec_deg": one.dec_deg,
            "major_arcmin": one.major_arcmin,
            "minor_arcmin": one.minor_arcmin,
            "angle_deg": one.angle_deg,
            "magnitude": one.magnitude,
            "x": px,
            "y": py,
            "source": int(i) + 1,
        }
        for (one, px, py), i in zip(objects, belongs, strict=True)
    ]
    return columns, rows


def _report(
    name: str, columns: Mapping[str, np.ndarray], rows: Sequence[Mapping[str, Any]]
) -> None:
    extended = columns["kind"] == "extended"
    log.info(
        "%s: %d sources, %d extended, %d of them in no catalogue",
        name, extended.size, extended.sum(), (columns["rank"] > 0).sum(),
    )  # fmt: skip
    for row in rows:
        log.info("%s (%s): source %d", row["name"], row["kind"], row["source"])


if __name__ == "__main__":
    with job_log(snakemake.log[0], snakemake.params.job, snakemake.output[0]):
        identify_sources(
            path_to_solution=snakemake.input.solution,
            path_to_depth=snakemake.input.depth,
            paths_to_channels=snakemake.input.channels,
            path_to_objects=snakemake.input.objects or None,
            path_to_sources=snakemake.output[0],
            job=json.loads(snakemake.params.job),
        )
