"""Measure zero points, transparency of each sub, sky brightness and extinction."""

import json
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np

from platefiles.astrometry.solution import MAGNITUDE, read_map, read_stars
from platefiles.fits.products_io import read_header, write_product
from platefiles.jobs.job_log import job_log, log
from platefiles.photometry.passbands import choose_band
from platefiles.photometry.zero_point import DEFINED, channel_photometry
from platefiles.photometry.zero_points import CHANNEL_COLUMNS, tables_hdus
from platefiles.provenance.header_provenance import making_cards
from platefiles.provenance.record import record_hdu
from platefiles.registration.registration_table import RegisteredSub, read_registration
from platefiles.settings.job import Rows, StepJob
from platefiles.subs.measures import MeasuredSub, read_measures
from platelib.astrometry.tan_sip import SkyMap
from platelib.photometry.airmass import airmass, altitude_deg
from platelib.photometry.zero_point import fit_extinction, sky_brightness
from platelib.registration.sub_state import SubState

_MJD_ZERO = datetime(1858, 11, 17)
_NAN = float("nan")


class Job(StepJob):
    """The channels with zero points, each with ``name``, ``filters`` and ``wavelength_nm``."""

    channels: Rows
    calibrated: bool


def find_zero_points(
    path_to_solution: str | Path,
    paths_to_channels: Sequence[str | Path],
    paths_to_registrations: Sequence[str | Path],
    paths_to_measures: Sequence[str | Path],
    path_to_zero_points: str | Path,
    job: Mapping[str, Any],
) -> None:
    """Write the zero points of a project.

    Parameters
    ----------
    path_to_solution : path-like
        Place of the grid on the sky.
    paths_to_channels, paths_to_registrations : sequence of path-like
        One of each for each channel, in the order of ``job.channels``.
    paths_to_measures : sequence of path-like
        Measures of all nights of all channels.
    path_to_zero_points : path-like
        Product: ``CHANNELS``, ``SUBS``, ``EXTINCTION`` and ``STARS``.
    job : mapping
        See `Job`.
    """
    given = Job.of(job)
    field = _Field(
        read_header(path_to_solution),
        read_map(path_to_solution),
        read_stars(path_to_solution),
        {sub.id: sub for sub in read_measures(paths_to_measures)},
        given.calibrated,
    )
    names = ("CHANNELS", "SUBS", "EXTINCTION", "STARS")
    tables: dict[str, list[dict[str, Any]]] = {name: [] for name in names}
    for facts, channel, registration in zip(
        given.channels, paths_to_channels, paths_to_registrations, strict=True
    ):
        _add_channel(tables, facts, Path(channel), read_registration(registration)[0], field)
    cards = making_cards("find_zero_points", job)
    notes = [f"channel '{r['channel']}': {r['note']}" for r in tables["CHANNELS"] if r["note"]]
    cards += [(f"ZPNOTE{i}", note) for i, note in enumerate(notes[:9], start=1)]
    inputs = {
        "solution": [path_to_solution],
        "channels": paths_to_channels,
        "registrations": paths_to_registrations,
        "measures": paths_to_measures,
    }
    record = record_hdu("find_zero_points", path_to_zero_points, job, inputs)
    write_product(path_to_zero_points, cards, [*tables_hdus(tables), record])


@dataclass(frozen=True)
class _Field:
    """Facts common to all channels."""

    solution: Mapping[str, Any]
    sky_map: SkyMap | None
    catalogue: Mapping[str, np.ndarray]
    measured: Mapping[str, MeasuredSub]
    calibrated: bool

    @property
    def scale_arcsec(self) -> float:
        return _NAN if self.sky_map is None else self.sky_map.scale_arcsec


def _add_channel(
    tables: Mapping[str, list[dict[str, Any]]],
    facts: Mapping[str, Any],
    channel: Path,
    registered: Sequence[RegisteredSub],
    field: _Field,
) -> None:
    """Add the rows of a channel to the tables."""
    name = facts["name"]
    if field.sky_map is None:
        row, stars = _without_place(channel), []
    else:
        bands = [
            key.removeprefix(MAGNITUDE) for key in field.catalogue if key.startswith(MAGNITUDE)
        ]
        band = choose_band(facts["filters"], facts["wavelength_nm"], bands)
        grid = field.measured[field.solution["GRIDREF"]].stars
        row, stars = channel_photometry(
            channel, registered, field.measured, grid, field.catalogue, band
        )
    subs = [_sub_row(sub, row["zero_point_mag"], field) for sub in registered]
    _add_airmass(subs, field.solution)
    row["sky_mag_arcsec2"] = _median([s["sky_mag_arcsec2"] for s in subs if _used(s)])
    tables["CHANNELS"].append({"channel": name, **row})
    tables["SUBS"] += [{"channel": name, **sub} for sub in subs]
    tables["EXTINCTION"] += _extinction(name, subs)
    tables["STARS"] += [{"channel": name, **star} for star in stars]
    log.info("%s: zero point %.3f %s", name, row["zero_point_mag"], row["note"])


def _without_place(channel: str | Path) -> dict[str, Any]:
    """Return the row of a channel of a field without astrometric solution."""
    unit = str(read_header(channel, "SCI").get("BUNIT", "")).strip().lower()
    defined = DEFINED.get(unit)
    row = dict.fromkeys(CHANNEL_COLUMNS, _NAN)
    del row["channel"]
    texts = dict.fromkeys(("band", "colour", "note"), "")
    why = "the field has no astrometric solution" if defined is None else ""
    known = {} if defined is None else {"zero_point_mag": defined, "error_mag": 0.0, "band": "AB"}
    return {
        **row,
        **texts,
        "colour_term": 0.0,
        "n_stars": 0,
        "saturated": 0,
        "pivot": 0.0,
        "source": "none" if defined is None else "unit",
        "calibrated": defined is not None,
        "note": why,
        **known,
    }


def _sub_row(sub: RegisteredSub, zero_point: float, field: _Field) -> dict[str, Any]:
    """Return the row of a sub without its airmass."""
    facts = sub.facts
    factor = facts["factor"] if facts["factor"] > 0 else _NAN
    own = zero_point - 2.5 * math.log10(factor) if factor == factor else _NAN
    masters = field.measured[facts["id"]].facts
    known = field.calibrated or masters["bias"] != "none" or masters["dark"] != "none"
    sky = facts["sky_rate"] if known else _NAN
    return {
        "id": facts["id"],
        "name": facts["name"],
        "night": facts["night"],
        "middle_mjd": _middle_mjd(facts),
        "state": facts["state"],
        "altitude_deg": _NAN,
        "airmass": _NAN,
        "transparency": round(1 / factor, 5),
        "zero_point_mag": round(own, 4),
        "sky_mag_arcsec2": round(sky_brightness(own, sky, field.scale_arcsec), 4),
        "stars": facts["factor_stars"],
    }


def _used(sub: Mapping[str, Any]) -> bool:
    return sub["state"] == SubState.USED


def _median(values: Sequence[float]) -> float:
    known = [value for value in values if value == value]
    return round(float(np.median(known)), 4) if known else _NAN


def _middle_mjd(facts: Mapping[str, Any]) -> float:
    start = facts["start_utc"].rstrip("Z")
    if "T" not in start:
        return _NAN
    middle = datetime.fromisoformat(start) + timedelta(seconds=facts["exposure_s"] / 2)
    return round((middle - _MJD_ZERO) / timedelta(days=1), 8)


def _add_airmass(subs: Sequence[dict[str, Any]], solution: Mapping[str, Any]) -> None:
    """Compute altitudes if position, site and time are known."""
    dated = [sub for sub in subs if sub["middle_mjd"] == sub["middle_mjd"]]
    if "OBSGEO-B" not in solution or not solution["PLACED"] or not dated:
        return
    site = (solution["OBSGEO-B"], solution["OBSGEO-L"], solution["OBSGEO-H"])
    moments = np.array([sub["middle_mjd"] for sub in dated])
    altitudes = altitude_deg(solution["CRVAL1"], solution["CRVAL2"], moments, *site)
    for sub, altitude, air in zip(dated, altitudes, airmass(altitudes), strict=True):
        sub["altitude_deg"] = round(float(altitude), 3)
        sub["airmass"] = round(float(air), 4)


def _extinction(channel: str, subs: Sequence[Mapping[str, Any]]) -> list[dict[str, Any]]:
    """Return the rows of a channel: each night separately, and all nights together."""
    rows = []
    nights = sorted({sub["night"] for sub in subs})
    for night in [*nights, "all"] if len(nights) > 1 else nights:
        chosen = [
            sub
            for sub in subs
            if _used(sub)
            and night in (sub["night"], "all")
            and sub["airmass"] == sub["airmass"]
            and sub["zero_point_mag"] == sub["zero_point_mag"]
        ]
        air = np.array([sub["airmass"] for sub in chosen])
        row = {"channel": channel, "night": night, "subs": len(chosen), "note": ""}
        row |= {"coefficient_mag": _NAN, "error_mag": _NAN}
        row |= {
            "airmass_low": float(air.min()) if len(air) else _NAN,
            "airmass_high": float(air.max()) if len(air) else _NAN,
        }
        try:
            zero_points = np.array([sub["zero_point_mag"] for sub in chosen])
            found = fit_extinction(zero_points, air)
            row |= {"coefficient_mag": found.coefficient, "error_mag": found.error}
        except ValueError as why:
            row["note"] = str(why) if len(air) else "site, time or zero points are not known"
        rows.append(row)
    return rows


if __name__ == "__main__":
    with job_log(snakemake.log[0], snakemake.params.job, snakemake.output[0]):
        find_zero_points(
            path_to_solution=snakemake.input.solution,
            paths_to_channels=snakemake.input.channels,
            paths_to_registrations=snakemake.input.registrations,
            paths_to_measures=snakemake.input.measures,
            path_to_zero_points=snakemake.output[0],
            job=json.loads(snakemake.params.job),
        )
