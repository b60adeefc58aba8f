"""Measure the sky, the noise and the stars of each sub of one channel and night."""

import json
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np
from astropy.table import Table, vstack

from platefiles.fitsfile import FrameError, RawImage, open_raw, table_hdu, write_product
from platefiles.joblog import job_log, log
from platefiles.masters import Masters
from platefiles.provenance import file_sha256, making_cards
from platefiles.subs import Sub
from platelib.calibration import SATURATED
from platelib.stars import STAR, Mesh, find_stars, sky_mesh

_SATURATED_SHARE = 0.5
_EXCESS_WORTH_COUNTING = 1.15
_SHAPE_STARS = 100


def measure(
    paths_to_raw: Sequence[str | Path],
    paths_to_masters: Sequence[str | Path],
    path_to_measures: str | Path,
    job: Mapping[str, Any],
) -> None:
    """Measure every sub; one that cannot be used becomes a row with its reason.

    Parameters
    ----------
    paths_to_raw : sequence of path-like
        Lights, in the order of ``job["subs"]``.
    paths_to_masters : sequence of path-like
        Masters that they need.
    path_to_measures : path-like
        Product: tables ``SUBS`` (a row a sub), ``STARS`` (a row a star) and ``SKY`` (a row a cell
        of the sky mesh), the last two with the number of the sub in ``sub``.
    job : mapping
        Settings: those of the ``measure`` group.
    """
    masters = Masters(paths_to_masters)
    rows: list[dict[str, Any]] = []
    stars: list[Table] = []
    skies: list[Table] = []
    for number, (path, facts) in enumerate(zip(paths_to_raw, job["subs"], strict=True)):
        row = _blank_row(facts)
        try:
            row["sha256"] = file_sha256(path)
            with open_raw(path) as image:
                _refuse_blank(image)
                found, mesh = _measure_sub(Sub(image, facts, masters, job["camera"]), row, job)
            stars.append(_star_table(number, found))
            skies.append(_sky_table(number, mesh))
        except FrameError as error:
            row["state"], row["reason"] = "unreadable", str(error)
        log.info("%s: %s %s", facts["name"], row["state"], row["reason"])
        rows.append(row)
    write_product(
        path_to_measures,
        [
            *making_cards("measure", job),
            ("FILTER", job["channel"], "channel"),
            ("NIGHT", job["night"], "night, noon to noon"),
        ],
        [
            table_hdu(Table(rows=rows), "SUBS"),
            table_hdu(vstack([_star_table(0, np.zeros(0, dtype=STAR)), *stars]), "STARS"),
            table_hdu(vstack([_EMPTY_SKY, *skies]), "SKY"),
        ],
    )


def _refuse_blank(image: RawImage) -> None:
    """Refuse a frame whose pixels are all equal; a few of its rows tell."""
    ny = image.shape[0]
    sample = np.concatenate([image.rows(y, y + 1) for y in range(0, ny, max(1, ny // 8))])
    if sample.min() == sample.max():
        msg = "shows nothing: its pixels are all equal"
        raise FrameError(msg)


def _blank_row(facts: Mapping[str, Any]) -> dict[str, Any]:
    return {
        "id": facts["id"],
        "name": facts["name"],
        "night": facts["night"],
        "sha256": "",
        "start_utc": facts["start_utc"],
        "exposure_s": float(facts["exposure_s"]),
        "state": "measured",
        "reason": "",
        "width_px": 0,
        "height_px": 0,
        "stars": 0,
        "fwhm_px": np.nan,
        "ellipticity": np.nan,
        "sky": np.nan,
        "noise": np.nan,
        "excess": 1.0,
        "gain": np.nan,
        "gain_source": "",
        "read_noise": np.nan,
        "bias": facts["bias"] or "none",
        "dark": facts["dark"] or "none",
        "flat": facts["flat"] or "none",
    }


def _measure_sub(sub: Sub, row: dict[str, Any], job: Mapping[str, Any]):
    """Fill the row of a sub; return its stars and its sky mesh."""
    settings = job["settings"]
    values, variance, mask = sub.calibrated(0, sub.shape[0])
    mesh = sky_mesh(values, settings["background_cell_px"])
    if np.isnan(mesh.level).any() or not (mesh.noise > 0).any():
        msg = "has no usable pixels: all are masked or missing"
        raise FrameError(msg)
    row["height_px"], row["width_px"] = sub.shape
    row["sky"] = float(f"{np.median(mesh.level):.6g}")
    row["noise"] = noise = float(f"{np.median(mesh.noise):.6g}")
    row["gain"], row["gain_source"] = sub.detector.gain, sub.gain_choice.source
    row["read_noise"] = sub.detector.read_noise
    if sub.gain_choice.remark:
        log.info("%s: %s", row["name"], sub.gain_choice.remark)
    if sub.detector.gain > 0:
        model = float(np.median(variance[::3, ::3]))
        excess = noise**2 / model if model > 0 else 1.0
        row["excess"] = float(f"{excess:.6g}") if excess > _EXCESS_WORTH_COUNTING else 1.0
    else:
        variance = np.full_like(values, noise**2)
    if float(np.mean((mask & SATURATED) != 0)) > _SATURATED_SHARE:
        row["state"], row["reason"] = "saturated", "more than half of the pixels are saturated"
    stars = find_stars(
        values,
        variance,
        mask,
        mesh,
        settings["detection_sigma"],
        settings["aperture_fwhm"],
        settings["max_stars"],
    )
    good = stars[stars["flags"] == 0]
    row["stars"] = len(good)
    if len(good):
        row["fwhm_px"] = float(np.median(good["fwhm"][:_SHAPE_STARS]))
        row["ellipticity"] = float(np.median(good["ellipticity"][:_SHAPE_STARS]))
    return stars, mesh


def _star_table(number: int, stars: np.ndarray) -> Table:
    table = Table(stars)
    table.add_column(np.full(len(stars), number, dtype=np.int32), name="sub", index=0)
    return table


def _sky_table(number: int, mesh: Mesh) -> Table:
    rows, columns = np.indices(mesh.level.shape, dtype=np.int32)
    return Table(
        {
            "sub": np.full(mesh.level.size, number, dtype=np.int32),
            "row": rows.ravel(),
            "column": columns.ravel(),
            "level": mesh.level.ravel(),
            "noise": mesh.noise.ravel(),
        }
    )


_EMPTY_SKY = Table(
    names=("sub", "row", "column", "level", "noise"), dtype=("i4", "i4", "i4", "f4", "f4")
)


if __name__ == "__main__":
    with job_log(snakemake.log[0]):
        measure(
            paths_to_raw=snakemake.input.raw,
            paths_to_masters=snakemake.input.masters,
            path_to_measures=snakemake.output[0],
            job=json.loads(snakemake.params.job),
        )
