"""Integrate the subs of a channel, a band of the grid at a time, straight from the raw files."""

import json
from collections.abc import Mapping, Sequence
from contextlib import ExitStack
from pathlib import Path
from typing import Any

import numpy as np
from astropy.table import Table

from platefiles.bands import band_height
from platefiles.errors import UserError
from platefiles.fitsfile import FrameError, image_hdu, open_raw, table_hdu, write_product
from platefiles.joblog import job_log, log
from platefiles.masters import Masters
from platefiles.provenance import exposure_cards, making_cards, note_cards
from platefiles.registration import RegisteredSub, read_registration
from platefiles.subs import Sub
from platelib.clipping import HIGH, LOW, Average, Rejection, average, grow, reject
from platelib.resampling import correlation_factor


def integrate(
    paths_to_raw: Sequence[str | Path],
    paths_to_masters: Sequence[str | Path],
    path_to_registration: str | Path,
    path_to_channel: str | Path,
    job: Mapping[str, Any],
) -> None:
    """Write the integrated image of a channel.

    Parameters
    ----------
    paths_to_raw : sequence of path-like
        Lights of the channel, in the order of ``job["subs"]``.
    paths_to_masters : sequence of path-like
        Masters that they need.
    path_to_registration : path-like
        Table of transforms, levels, weights and states.
    path_to_channel : path-like
        Product: ``SCI``, ``VAR``, ``COUNT``, ``CLIPPED`` (low, high), ``INPUTS``.
    job : mapping
        Settings: those of the ``integration`` group that act here.

    Raises
    ------
    UserError
        If too few subs are left.
    """
    registered, shape = read_registration(path_to_registration)
    by_id = {sub.facts["id"]: sub for sub in registered}
    facts = {sub["id"]: (path, sub) for path, sub in zip(paths_to_raw, job["subs"], strict=True)}
    masters = Masters(paths_to_masters)
    with ExitStack() as stack:
        subs: list[tuple[RegisteredSub, Sub]] = []
        for sub_id, (path, sub_facts) in facts.items():
            row = by_id[sub_id]
            if row.facts["state"] != "used":
                continue
            try:
                image = stack.enter_context(open_raw(path))
            except FrameError as error:
                row.facts["state"], row.facts["reason"] = "unreadable", str(error)
                continue
            variance = row.facts["sky_noise"] ** 2
            subs.append((row, Sub(image, sub_facts, masters, job["camera"], variance)))
        _check_enough(len(subs), len(facts), registered, job)
        result, struck, used = _integrate_bands(subs, shape, job["settings"])
    _write(path_to_channel, result, subs, registered, struck, used, job)


def _check_enough(usable: int, total: int, rows: Sequence[RegisteredSub], job) -> None:
    settings = job["settings"]
    fewest = min(settings["min_subs"], total)
    if usable >= fewest and 1 - usable / total <= settings["max_excluded"]:
        return
    out = [row.facts for row in rows if row.facts["state"] != "used"]
    states = sorted({row["state"] for row in out})
    reasons = ", ".join(f"{sum(r['state'] == state for r in out)} {state}" for state in states)
    msg = (
        f"channel '{job['channel']}': {usable} of {total} subs can be used ({reasons}), at least "
        f"{fewest} are needed; subs.tsv lists each reason; loosen quality in the recipe or set "
        "integration: min_subs"
    )
    raise UserError(msg)


def _integrate_bands(subs, shape: tuple[int, int], settings: Mapping[str, Any]):
    """Reject and average band by band; also count the struck and the present pixels of each sub."""
    ny, nx = shape
    rejection = Rejection(
        settings["clip"],
        settings["clip_low"],
        settings["clip_high"],
        settings["max_iterations"],
        settings["clip_tolerance"],
        settings["esd_alpha"],
    )
    halo = settings["grow_px"] + 1 if settings["grow_px"] else 0
    height = band_height(len(subs), nx)
    weights = np.array([row.facts["weight"] for row, _ in subs])
    noise = np.array([row.facts["noise_rate"] for row, _ in subs])
    sky = float(np.median([_sky_after(row) for row, _ in subs]))
    blocks: list[Average] = []
    struck = np.zeros((len(subs), 2), dtype=np.int64)
    present = np.zeros(len(subs), dtype=np.int64)
    for top in range(0, ny, height):
        bottom = min(ny, top + height)
        rows = (max(0, top - halo), min(ny, bottom + halo))
        pairs = [sub.registered(row.transform, row.levels, rows, nx) for row, sub in subs]
        values = np.stack([pair[0] for pair in pairs])
        variances = np.stack([pair[1] for pair in pairs])
        del pairs
        flags = reject(values, variances, noise, sky, rejection)
        flags = grow(values, variances, flags, settings["grow_px"])
        inner = slice(top - rows[0], bottom - rows[0])
        values, variances, flags = values[:, inner], variances[:, inner], flags[:, inner]
        blocks.append(average(values, variances, weights, flags))
        struck[:, 0] += (flags == LOW).sum(axis=(1, 2))
        struck[:, 1] += (flags == HIGH).sum(axis=(1, 2))
        present += np.isfinite(values).sum(axis=(1, 2))
    names = ("mean", "variance", "count", "low", "high")
    result = Average(*(np.concatenate([getattr(b, name) for b in blocks]) for name in names))
    return result, struck, present


def _sky_after(row: RegisteredSub) -> float:
    """Sky of a sub in the unit of the channel after levelling: that of the reference."""
    facts = row.facts
    return facts["sky_rate"] * facts["factor"] - float(facts["sky_difference"][0])


def _write(path, result: Average, subs, registered, struck, present, job) -> None:
    times = [(row.facts["start_utc"], row.facts["exposure_s"]) for row, _ in subs]
    unit = job["unit"]
    cards = [
        *making_cards("integrate", job),
        ("FILTER", job["channel"], "channel"),
        *exposure_cards(times),
        ("NSUBS", len(registered), "subs of the channel, used or not"),
        ("NOISCORR", round(correlation_factor(), 4), "noise of large sums over that from VAR"),
        *note_cards(job["notes"]),
    ]
    if job["wavelength_nm"]:
        cards.append(("WAVELEN", job["wavelength_nm"], "[nm] central wavelength"))
    clipped = np.stack([result.low, result.high])
    square = "" if unit == "adu" else f"({unit})2"
    write_product(
        path,
        cards,
        [
            image_hdu(result.mean, "SCI", unit=unit),
            image_hdu(result.variance, "VAR", unit=square or "adu2"),
            image_hdu(result.count, "COUNT"),
            image_hdu(clipped, "CLIPPED", [("PLANE1", "low"), ("PLANE2", "high")]),
            table_hdu(_inputs_table(registered, subs, struck, present), "INPUTS"),
        ],
    )
    covered = result.count > 0
    log.info("%d subs, %.1f %% of the grid covered", len(subs), 100 * covered.mean())


def _inputs_table(registered, subs, struck, present) -> Table:
    shares = {row.facts["id"]: (struck[i] / max(present[i], 1)) for i, (row, _) in enumerate(subs)}
    columns = ("id", "name", "sha256", "night", "start_utc", "exposure_s", "state", "reason",
               "weight", "factor", "scale", "rms_px", "matched", "degree", "x", "y",
               "sky_terms", "sky_difference", "excess")  # fmt: skip
    table = Table({name: [row.facts[name] for row in registered] for name in columns})
    for k, name in enumerate(("clipped_low", "clipped_high")):
        table[name] = [float(f"{shares.get(i, (0.0, 0.0))[k]:.6g}") for i in table["id"]]
    return table


if __name__ == "__main__":
    with job_log(snakemake.log[0]):
        integrate(
            paths_to_raw=snakemake.input.raw,
            paths_to_masters=snakemake.input.masters,
            path_to_registration=snakemake.input.registration,
            path_to_channel=snakemake.output[0],
            job=json.loads(snakemake.params.job),
        )
