"""Integrate the subs of a channel, a band of the grid at a time, straight from the raw files."""

import json
from collections.abc import Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack
from pathlib import Path
from typing import Any

import numpy as np
from astropy.table import Table

from platefiles.bands import band_height
from platefiles.errors import UserError
from platefiles.fitsfile import table_hdu
from platefiles.joblog import job_log, log
from platefiles.masters import Masters
from platefiles.provenance import equipment_cards, exposure_cards, making_cards, note_cards
from platefiles.rawframe import FrameError, open_raw
from platefiles.ray_masks import NO_HITS, read_hit_pixels
from platefiles.registration import RegisteredSub, read_registration
from platefiles.streamed import StreamedProduct
from platefiles.subs import Sub
from platelib.clipping import HIGH, INVALID, LOW, Rejection, average, grow, reject
from platelib.resampling import correlation_factor
from platelib.states import counted


def integrate(
    paths_to_raw: Sequence[str | Path],
    paths_to_masters: Sequence[str | Path],
    path_to_registration: str | Path,
    path_to_channel: str | Path,
    job: Mapping[str, Any],
    threads: int = 1,
    paths_to_rays: Sequence[str | Path] = (),
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
    threads : int
        Bands that are worked on at a time; it changes no bit.
    paths_to_rays : sequence of path-like
        Cosmic rays on the subs, for channels that are cleaned sub by sub.

    Raises
    ------
    UserError
        If too few subs are left.
    """
    registered, shape = read_registration(path_to_registration)
    by_id = {sub.facts["id"]: sub for sub in registered}
    facts = {sub["id"]: (path, sub) for path, sub in zip(paths_to_raw, job["subs"], strict=True)}
    masters = Masters(paths_to_masters)
    hits = read_hit_pixels(paths_to_rays)
    for row in registered:
        row.facts["ray_pixels"] = len(hits.get(row.facts["id"], NO_HITS))
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
            hit = hits.get(sub_id, NO_HITS)
            subs.append((row, Sub(image, sub_facts, masters, job["camera"], variance, hit)))
        _check_enough(len(subs), len(facts), registered, job)
        product = stack.enter_context(_product(path_to_channel, subs, registered, shape, job))
        struck, present = _integrate_bands(subs, shape, job["settings"], threads, product.planes)
        inputs = _inputs_table(registered, subs, struck, present, job)
        product.finish([table_hdu(inputs, "INPUTS")])
    log.info("%d of %d subs", len(subs), len(registered))
    for note in job["notes"]:
        log.info("%s", note)


def _check_enough(usable: int, total: int, rows: Sequence[RegisteredSub], job) -> None:
    settings = job["settings"]
    fewest = min(settings["min_subs"], total)
    if usable >= fewest and 1 - usable / total <= settings["max_excluded"]:
        return
    states = counted(row.facts["state"] for row in rows if row.facts["state"] != "used")
    for row in rows:
        log.info("%s: %s %s", *(row.facts[key] for key in ("name", "state", "reason")))
    msg = (
        f"channel '{job['channel']}': {usable} of {total} subs can be used ({states}), at least "
        f"{fewest} are needed; the log of this job lists each reason; loosen quality in the "
        "recipe or set integration: min_subs"
    )
    raise UserError(msg)


def _integrate_bands(
    subs: Sequence[tuple[RegisteredSub, Sub]],
    shape: tuple[int, int],
    settings: Mapping[str, Any],
    threads: int,
    planes: Mapping[str, np.ndarray],
) -> tuple[np.ndarray, np.ndarray]:
    """Fill the planes band by band; return the struck and the present pixels of each sub."""
    ny, nx = shape
    height = band_height(len(subs), nx, threads)
    sky = float(np.median([_sky_after(row) for row, _ in subs]))
    band = Band(subs, shape, settings, sky, planes)
    tops = range(0, ny, height)
    with ThreadPoolExecutor(threads) as pool:
        counts = list(pool.map(lambda top: band.fill(top, min(ny, top + height)), tops))
    struck = np.sum([count[0] for count in counts], axis=0)
    return struck, np.sum([count[1] for count in counts], axis=0)


class Band:
    """Everything that the integration of a band needs beside its place."""

    def __init__(self, subs, shape, settings, sky: float, planes: Mapping[str, np.ndarray]):
        self._subs, (self._ny, self._nx), self._sky = subs, shape, sky
        self._planes = planes
        self._grow_px = settings["grow_px"]
        self._rejection = Rejection(
            settings["clip"],
            settings["clip_low"],
            settings["clip_high"],
            settings["max_iterations"],
            settings["clip_tolerance"],
            settings["esd_alpha"],
        )
        self._weights = np.array([row.facts["weight"] for row, _ in subs])
        self._noise = np.array([row.facts["noise_rate"] for row, _ in subs])

    def fill(self, top: int, bottom: int) -> tuple[np.ndarray, np.ndarray]:
        """Integrate rows ``top`` to ``bottom``; count struck (low, high) and present pixels."""
        halo = self._grow_px + 1 if self._grow_px else 0
        rows = (max(0, top - halo), min(self._ny, bottom + halo))
        size = (len(self._subs), rows[1] - rows[0], self._nx)
        values, variances = (np.empty(size, dtype=np.float32) for _ in range(2))
        for i, (row, sub) in enumerate(self._subs):
            sub.registered(row.transform, row.levels, rows, self._nx, (values[i], variances[i]))
        flags = reject(values, variances, self._noise, self._sky, self._rejection)
        flags = grow(values, variances, flags, self._grow_px)
        inner = (top - rows[0], bottom - rows[0])
        result = average(values, variances, self._weights, flags, rows=inner)
        flags = flags[:, slice(*inner)]
        self._planes["SCI"][top:bottom] = result.mean
        self._planes["VAR"][top:bottom] = result.variance
        self._planes["COUNT"][top:bottom] = result.count
        self._planes["CLIPPED"][0, top:bottom] = result.low
        self._planes["CLIPPED"][1, top:bottom] = result.high
        struck = [[np.count_nonzero(f == kind) for kind in (LOW, HIGH)] for f in flags]
        present = [np.count_nonzero(f != INVALID) for f in flags]
        return np.array(struck), np.array(present)


def _sky_after(row: RegisteredSub) -> float:
    """Sky of a sub in the unit of the channel after levelling: that of the reference."""
    facts = row.facts
    return facts["sky_rate"] * facts["factor"] - float(facts["sky_difference"][0])


def _product(path, subs, registered, shape: tuple[int, int], job) -> StreamedProduct:
    times = [(row.facts["start_utc"], row.facts["exposure_s"]) for row, _ in subs]
    unit = job["unit"]
    cards = [
        *making_cards("integrate", job),
        ("FILTER", job["channel"], "channel"),
        *exposure_cards(times),
        ("NSUBS", len(registered), "subs of the channel, used or not"),
        ("NOISCORR", round(correlation_factor(), 4), "noise of large sums over that from VAR"),
        *equipment_cards(job["equipment"]),
        *note_cards(job["notes"]),
    ]
    if job["wavelength_nm"]:
        cards.append(("WAVELEN", job["wavelength_nm"], "[nm] central wavelength"))
    square = "adu2" if unit == "adu" else f"({unit})2"
    planes = [("PLANE1", "low"), ("PLANE2", "high")]
    images: dict[str, tuple] = {
        "SCI": (shape, "f4", (), unit),
        "VAR": (shape, "f4", (), square),
        "COUNT": (shape, "i2", (), None),
        "CLIPPED": ((2, *shape), "i2", planes, None),
    }
    return StreamedProduct(path, cards, images)


def _inputs_table(registered, subs, struck, present, job) -> Table:
    shares = {row.facts["id"]: (struck[i] / max(present[i], 1)) for i, (row, _) in enumerate(subs)}
    columns = ("id", "name", "sha256", "night", "start_utc", "exposure_s", "state", "reason",
               "weight", "factor", "scale", "rms_px", "matched", "degree", "x", "y",
               "sky_terms", "sky_difference", "excess", "ray_pixels")  # fmt: skip
    table = Table({name: [row.facts[name] for row in registered] for name in columns})
    masters = {sub["id"]: sub for sub in job["subs"]}
    for kind in ("bias", "dark", "flat"):
        table[kind] = [masters.get(i, {}).get(kind) or "none" for i in table["id"]]
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
            threads=snakemake.threads,
            paths_to_rays=snakemake.input.rays,
        )
