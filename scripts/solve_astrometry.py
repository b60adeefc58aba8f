"""Solve the astrometry of a project's grid, by the header of its sub or by a star catalogue."""

import json
import os
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np

from platefiles.astrometry.header_wcs import header_map
from platefiles.astrometry.plate_solve import Field, Outcome, StarsNear, place_field
from platefiles.astrometry.pointing_hint import Location, locate_field
from platefiles.astrometry.solution import stars_hdu, world_cards
from platefiles.astrometry.star_catalogue import (
    MOST_STARS,
    TYCHO,
    USERS,
    StarTable,
    read_star_table,
    read_tycho,
)
from platefiles.config.lock_file import Lock, lock_text, read_lock
from platefiles.config.star_archives import DEEPEST, line_to_add
from platefiles.core.errors import UserError
from platefiles.core.frame_errors import ChangedFrame
from platefiles.core.provisional import held_back
from platefiles.fits.header_cards import Cards
from platefiles.fits.header_reader import HeaderError
from platefiles.fits.products_io import write_product
from platefiles.frames.dialects import read_facts
from platefiles.frames.times import julian_year
from platefiles.jobs.job_log import job_log, log
from platefiles.provenance.header_provenance import making_cards
from platefiles.provenance.record import measured_alone, raw_record, read_record, record_hdu
from platefiles.raw_frames.frame_watch import FrameWatch
from platefiles.raw_frames.raw_header import read_raw_header
from platefiles.raw_frames.sensor_sections import Readout, trimmed_cards
from platefiles.settings.field import Pointing
from platefiles.settings.job import Facts, JobSettings, StepJob
from platefiles.subs.measures import MeasuredSub, read_measures
from platefiles.transfers.fetch import local_copies
from platelib.astrometry.catalogue_stars import CatalogueStars
from platelib.astrometry.plate_solve import FieldStars
from platelib.astrometry.tan_sip import SkyMap
from platelib.detection.star_table import FLAG_MASKED, FLAG_SATURATED, FLAG_SHAPE
from platelib.numerics.neighbours import mutual_pairs

_SATURATED_ERROR_PX, _MASKED_ERROR_PX = 0.3, 0.1
_ODD_ERROR_FWHM = 0.1
_REACH_PX = 2.0


class _Settings(JobSettings):
    sky: Pointing


class Job(StepJob):
    """Facts of the field.

    Attributes
    ----------
    sub : dict
        Facts of the sub that is the grid.
    equipment, header_fixes : dict
        What the equipment file gives, and what replaces cards of the sub's header.
    stars : dict
        What the catalogue of stars is called, and what sentences need to tell of it.
    """

    settings: _Settings
    sub: Facts
    header_fixes: Facts
    equipment: Facts
    stars: Facts = {}


def solve_astrometry(
    paths_to_raw: Sequence[str | Path],
    paths_to_measures: Sequence[str | Path],
    path_to_lock: str | Path,
    path_to_catalogue: str | Path | None,
    path_to_solution: str | Path,
    job: Mapping[str, Any],
) -> None:
    """Write the world coordinates of the grid, or the reason for a refusal.

    Parameters
    ----------
    paths_to_raw : sequence of path-like
        The raw frame that is the grid.
    paths_to_measures : sequence of path-like
        Measures among which that sub is.
    path_to_lock : path-like
    path_to_catalogue : path-like or None
        Table of stars of the user's; without one, Tycho-2 serves.
    path_to_solution : path-like
        Product: world coordinates in its header and ``STARS`` where the field was placed.
    job : mapping
        See `Job`.
    """
    given = Job.of(job)
    lock = read_lock(Path(path_to_lock))
    assert lock is not None
    shape = (lock.height_px, lock.width_px)
    sub, path_to_sub = _reference(paths_to_measures, lock, path_to_lock)
    readout = Readout.of_facts(given.sub.get("sections"))
    cards = trimmed_cards(_header(paths_to_raw[0], given.sub), readout)
    facts = read_facts(cards, lock.name, "", given.header_fixes)
    location = locate_field(facts, given.settings.sky, given.equipment)
    year = julian_year(sub.facts["start_utc"], sub.facts["exposure_s"])
    stars, every = _field_stars(sub)
    told = given.stars.get("name", "")
    table: StarTable | None = None
    near: StarsNear
    try:
        table = _users_table(path_to_catalogue)
        near = _stars_near(table, 2000.0 if year is None else year)
        known = TYCHO if table is None else told or "the catalogue of the project"
        deeper = _deeper(given.stars, table is not None)
        field = Field(lock.name, stars[1], every, shape, known, deeper)
        outcome = place_field(field, location, header_map(cards, shape), near)
    except UserError as error:  # a catalogue that cannot be read holds up no picture
        outcome = Outcome(None, "", f"the field has no astrometric solution: {error}")
    log.info("%s", outcome.sentence or outcome.note or "solved by its stars")
    product_cards = [
        *making_cards("solve_astrometry", job),
        *outcome_cards(outcome),
        ("STARCAT", TYCHO if path_to_catalogue is None else told or USERS),
        *([("STAREPOC", round(year, 3))] if year else []),
        *_site_cards(location),
        ("GRIDREF", lock.reference),
        ("GRIDNX", lock.width_px),
        ("GRIDNY", lock.height_px),
    ]
    hdus = []
    if outcome.sky_map is not None:
        product_cards += world_cards(outcome.sky_map, shape)
        hdus.append(_stars_hdu(outcome.sky_map, shape, near, stars))
    alone = measured_alone(read_record(path_to_sub), lock.reference)
    inputs = {
        "raw": [raw_record("light", given.sub, sub.facts["sha256"], paths_to_raw[0])],
        "measures": [alone],
    }
    texts = {"lock": lock_text(Lock(lock.reference, lock.name, *shape[::-1], {}))}
    if table is not None:
        texts["catalogue"] = table.text()
    hdus.append(record_hdu("solve_astrometry", path_to_solution, job, inputs, texts))
    write_product(path_to_solution, product_cards, hdus)


def _reference(
    paths: Sequence[str | Path], lock: Lock, path_to_lock: str | Path
) -> tuple[MeasuredSub, str | Path]:
    for path in paths:
        for sub in read_measures([path]):
            if sub.id == lock.reference and sub.usable:
                return sub, path
            if sub.id == lock.reference and held_back():  # it may be as ever in the next run
                msg = f"the reference {lock.name} {sub.facts['reason']}; run again"
                raise UserError(msg)
    msg = f"{path_to_lock}: the sub '{lock.reference}' has not been measured; delete the file"
    raise UserError(f"{msg} to choose again")


def _header(path: str | Path, facts: Mapping[str, Any]) -> Cards:
    try:
        FrameWatch(path, facts).begin()
        with open(path, "rb") as file:
            return read_raw_header(file, os.fstat(file.fileno()).st_size).cards
    except ChangedFrame as error:
        msg = f"the reference {error.name} {error}; run again"
        raise UserError(msg) from error
    except (OSError, HeaderError) as error:
        msg = f"{facts['name']}: its header cannot be read ({error})"
        raise UserError(msg) from error


def _users_table(path: str | Path | None) -> StarTable | None:
    if path is None:
        return None
    table = read_star_table(path)
    bright = np.nan_to_num(table.at(2000.0).brightness, nan=99.0)
    order = np.lexsort((table.ra, table.dec, bright))
    return table.chosen(order[:MOST_STARS])


def _deeper(stars: Mapping[str, str], own: bool) -> str:
    """Return the way to a deeper star catalogue for the project, or an empty text."""
    if stars.get("name") or "file" not in stars:
        return ""
    if "missing" in stars:
        return (
            f"the stars of {stars['missing']}, which could not be fetched (`platelog.py stars "
            f"{stars['project']}` tries again)"
        )
    if own:
        return f"a deeper table of stars, or `catalogue: {DEEPEST}` in {stars['file']}"
    return f"a deeper catalogue (add {line_to_add(stars['file'])})"


def _stars_near(table: StarTable | None, year: float) -> StarsNear:
    if table is None:
        return lambda ra, dec, radius_deg: read_tycho(ra, dec, radius_deg, year)
    stars = table.at(year).brightest_first()
    return stars.within


def _field_stars(sub: MeasuredSub) -> tuple[tuple[np.ndarray, FieldStars], FieldStars]:
    """Return stars as measured and for the match, and all detections, brightest first.

    A saturated star is wider than others and is one all the same.
    """
    every = sub.stars
    error = 0.5 * every["fwhm"] * every["flux_error"] / every["flux"]
    error = np.where(every["flags"] & FLAG_MASKED, error + _MASKED_ERROR_PX, error)
    error = np.where(every["flags"] & FLAG_SATURATED, error + _SATURATED_ERROR_PX, error)
    odd = (every["flags"] & FLAG_SHAPE) > 0
    error = np.where(odd, error + _ODD_ERROR_FWHM * every["fwhm"], error)
    detections = FieldStars(np.stack([every["x"], every["y"]], axis=1), error)
    likely = ~odd | ((every["flags"] & FLAG_SATURATED) > 0)
    stars = FieldStars(detections.xy[likely], error[likely])
    return (every[likely], stars), detections


def outcome_cards(outcome: Outcome) -> list[tuple]:
    """Return the cards of the outcome of astrometry."""
    placed, sky_map = outcome.placed, outcome.sky_map
    cards: list[tuple] = [("PLACED", sky_map is not None)]
    if outcome.sentence:
        cards.append(("NOTPLACE", outcome.sentence))
    if outcome.note:
        cards.append(("PLACENOT", outcome.note))
    if sky_map is not None:
        cards += [
            ("PLACEDBY", outcome.source),
            ("PIXSCALE", round(sky_map.scale_arcsec, 6)),
            ("NORTHANG", round(sky_map.north_deg, 4)),
            ("MIRRORED", sky_map.is_mirrored),
        ]
    if placed is not None:
        cards += [
            ("NMATCH", len(placed.field_index)),
            ("NEXPECT", placed.expected),
            ("SKYRMS", placed.rms_px),
            ("FALSEALM", placed.log_false_alarm),
            ("NTRIALS", placed.trials),
        ]
    return cards


def _site_cards(location: Location) -> list[tuple]:
    if location.latitude_deg is None or location.longitude_deg is None:
        return []
    return [
        ("OBSGEO-B", float(location.latitude_deg)),
        ("OBSGEO-L", float(location.longitude_deg)),
        ("OBSGEO-H", location.elevation_m),
    ]


def _stars_hdu(
    sky_map: SkyMap, shape: tuple[int, int], near: StarsNear, found: tuple[np.ndarray, FieldStars]
):
    """Return the table of the catalogue's stars in the field, with their detections."""
    measured, field = found
    ny, nx = shape
    ra, dec = sky_map.sky((nx - 1) / 2, (ny - 1) / 2)
    half = np.hypot(nx, ny) / 2 * sky_map.scale_arcsec / 3600
    stars: CatalogueStars = near(float(ra), float(dec), 1.1 * float(half))
    x, y = sky_map.pixels(stars.ra, stars.dec)
    inside = (x > -0.5) & (x < nx - 0.5) & (y > -0.5) & (y < ny - 0.5)
    stars, x, y = stars.chosen(inside), x[inside], y[inside]
    i, j = mutual_pairs(np.stack([x, y], axis=1), field.xy, _REACH_PX)
    columns = {"x": np.round(x, 4), "y": np.round(y, 4)}
    for name, source in (("found_x", "x"), ("found_y", "y"), ("flux", "flux")):
        columns[name] = np.full(len(stars), np.nan)
        columns[name][i] = measured[source][j]
    flags = np.full(len(stars), -1, dtype=np.int16)
    flags[i] = measured["flags"][j]
    return stars_hdu(stars, {**columns, "flags": flags})


if __name__ == "__main__":
    with job_log(snakemake.log[0], snakemake.params.job, snakemake.output[0]):
        solve_astrometry(
            paths_to_raw=local_copies(snakemake.input.raw),
            paths_to_measures=snakemake.input.measures,
            path_to_lock=snakemake.input.lock,
            path_to_catalogue=snakemake.input.catalogue or None,
            path_to_solution=snakemake.output[0],
            job=json.loads(snakemake.params.job),
        )
