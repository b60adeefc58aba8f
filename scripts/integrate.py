"""Integrate the subs of a channel, a tile of the grid at a time, straight from the raw files."""

import json
import math
import threading
from collections.abc import Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack
from pathlib import Path
from typing import Any

import numpy as np

from platefiles.errors import UserError
from platefiles.fetching import local_copies
from platefiles.joblog import job_log, log
from platefiles.masters import Masters
from platefiles.provenance import equipment_cards, exposure_cards, making_cards, note_cards
from platefiles.rawframe import FrameError, open_raw
from platefiles.ray_masks import NO_HITS, read_hit_pixels
from platefiles.record import raw_record, record_hdu
from platefiles.registration import RegisteredSub, read_registration
from platefiles.streamed import StreamedProduct
from platefiles.subs import Room, Sub
from platefiles.tables import columns_hdu
from platefiles.tiles import Tiling, tiling
from platelib.clipping import Rejection, average, grow, reject
from platelib.resampling import correlation_factor
from platelib.states import counted


def integrate(
    paths_to_raw: Sequence[str | Path],
    paths_to_masters: Sequence[str | Path],
    path_to_registration: str | Path,
    path_to_channel: str | Path,
    job: Mapping[str, Any],
    threads: int = 1,
    memory_mb: float = math.inf,
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
        Tiles that are worked on at a time; it changes no bit.
    memory_mb : float
        Memory of its own that the step may take, MB; it changes no bit.
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
        tally = _integrate_tiles(
            subs, tiling(len(subs), shape, threads, memory_mb), job["settings"], threads, product
        )
        inputs = _inputs(registered, subs, tally, shape, job)
        raws = [
            raw_record("light", sub_facts, by_id[sub_id].facts["sha256"], path)
            for sub_id, (path, sub_facts) in facts.items()
        ]
        sources = {
            "raw": raws,
            "masters": paths_to_masters,
            "registration": [path_to_registration],
            "rays": paths_to_rays,
        }
        record = record_hdu("integrate", path_to_channel, job, sources)
        product.finish([columns_hdu(inputs, "INPUTS"), record])
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


def _integrate_tiles(
    subs: Sequence[tuple[RegisteredSub, Sub]],
    tiles: Tiling,
    settings: Mapping[str, Any],
    threads: int,
    product: StreamedProduct,
) -> np.ndarray:
    """Fill the product tile by tile.

    Returns
    -------
    numpy.ndarray
        ``(n, 3)``: pixels of each sub without data, struck as low, struck as high.
    """
    sky = float(np.median([_sky_after(row) for row, _ in subs]))
    integration = Integration(subs, (tiles.ny, tiles.nx), settings, sky, product)
    with ThreadPoolExecutor(threads) as pool:
        return sum(pool.map(lambda tile: integration.fill(*tile), tiles))


class Integration:
    """Everything that the integration of a tile needs beside its place."""

    def __init__(self, subs, shape, settings, sky: float, product: StreamedProduct):
        self._subs, (self._ny, self._nx), self._sky = subs, shape, sky
        self._product = product
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
        self._of_thread = threading.local()

    def fill(self, rows: tuple[int, int], columns: tuple[int, int]) -> np.ndarray:
        """Integrate a tile; count the pixels of each sub without data, struck low, struck high."""
        if not hasattr(self._of_thread, "room"):
            self._of_thread.room = Room()
        room: Room = self._of_thread.room
        # What is struck beside the tile may grow into it.
        halo = self._grow_px + 1 if self._grow_px else 0
        top, bottom = max(0, rows[0] - halo), min(self._ny, rows[1] + halo)
        left, right = max(0, columns[0] - halo), min(self._nx, columns[1] + halo)
        size = (len(self._subs), bottom - top, right - left)
        values, variances = (room.plane(name, size, np.float32) for name in ("stack", "spread"))
        flags = room.plane("flags", size, np.uint8)
        place = (top, bottom), (left, right)
        for i, (row, sub) in enumerate(self._subs):
            out = (values[i], variances[i])
            sub.registered(row.transform, row.levels, *place, out, room, flags[i])
        reject(values, variances, self._noise, self._sky, self._rejection, flags)
        flags = grow(values, variances, flags, self._grow_px)
        inner = (slice(rows[0] - top, rows[1] - top), slice(columns[0] - left, columns[1] - left))
        result = average(values, variances, self._weights, flags, inner)
        planes = {
            "SCI": result.mean,
            "VAR": result.variance,
            "COUNT": result.count,
            "CLIPPED": np.stack([result.low, result.high]),
        }
        self._product.fill(planes, rows, columns)
        return result.tally


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


def _inputs(registered, subs, tally: np.ndarray, shape: tuple[int, int], job) -> dict[str, list]:
    columns = ("id", "name", "sha256", "night", "start_utc", "exposure_s", "state", "reason",
               "weight", "factor", "scale", "rms_px", "matched", "degree", "x", "y",
               "sky_terms", "sky_difference", "excess", "ray_pixels")  # fmt: skip
    table = {name: [row.facts[name] for row in registered] for name in columns}
    masters = {sub["id"]: sub for sub in job["subs"]}
    for kind in ("bias", "dark", "flat"):
        table[kind] = [masters.get(i, {}).get(kind) or "none" for i in table["id"]]
    present = np.maximum(shape[0] * shape[1] - tally[:, :1], 1)
    shares = dict(zip((row.facts["id"] for row, _ in subs), tally[:, 1:] / present, strict=True))
    for k, name in enumerate(("clipped_low", "clipped_high")):
        table[name] = [float(f"{shares.get(i, (0.0, 0.0))[k]:.6g}") for i in table["id"]]
    return table


if __name__ == "__main__":
    with job_log(snakemake.log[0]):
        integrate(
            paths_to_raw=local_copies(snakemake.input.raw),
            paths_to_masters=snakemake.input.masters,
            path_to_registration=snakemake.input.registration,
            path_to_channel=snakemake.output[0],
            job=json.loads(snakemake.params.job),
            threads=snakemake.threads,
            memory_mb=snakemake.resources.mem_mb,
            paths_to_rays=snakemake.input.rays,
        )
