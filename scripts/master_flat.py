"""Combine flat frames to the response of the optics and pixels; measure the gain from pairs."""

import json
from collections.abc import Mapping, Sequence
from contextlib import ExitStack
from pathlib import Path
from typing import Any

import numpy as np

from platefiles.errors import UserError
from platefiles.fetching import local_copies
from platefiles.fitsfile import image_hdu, table_hdu, write_product
from platefiles.joblog import job_log, log
from platefiles.mastering import combine_images, inputs_table, master_cards, open_frames
from platefiles.masters import Masters
from platefiles.rawframe import RawImage
from platelib.defects import DEAD, dead_pixels
from platelib.photon_transfer import bands, choose_gain, gain_e_per_adu, summarise

_PAIRS = 5
_SATURATED_SHARE = 0.01
_LINES = 64
"""Rows, spread evenly, that tell the level of a flat."""


def master_flat(
    paths_to_raw: Sequence[str | Path],
    paths_to_masters: Sequence[str | Path],
    path_to_master: str | Path,
    job: Mapping[str, Any],
) -> None:
    """Write a master flat.

    Each flat loses its own dark, or the bias, or nothing where there is neither, and is scaled to
    a median of 1 before the combination, so that a changing lamp or sky does not clip it.

    Parameters
    ----------
    paths_to_raw : sequence of path-like
        Flat frames, in the order of ``job["frames"]``.
    paths_to_masters : sequence of path-like
        Master bias and dark of the flats, whichever there are.
    path_to_master : path-like
        Product: ``SCI`` (response, median 1), ``VAR``, ``COUNT``, ``MASK`` (2 dead), ``INPUTS``;
        the measured gain in ``GAINMEAS``.
    job : mapping
        Settings: ``clip_sigma``, ``dead_pixel_response``.
    """
    settings = job["settings"]
    masters = Masters(paths_to_masters)
    with ExitStack() as stack:
        images, frames = open_frames(stack, paths_to_raw, job)
        offset = masters.offset(job["bias"], job["dark"], images[0].shape)
        images, frames, levels = _usable(images, frames, offset, job)
        combined = combine_images(images, settings["clip_sigma"], offset, [1 / n for n in levels])
        noise = masters.card(job["bias"], "RNOISE")
        cells = [] if noise is None else _gain_cells(images, offset, float(noise))
    dead = dead_pixels(combined.mean, settings["dead_pixel_response"])
    gain = summarise(cells)
    cards = master_cards("master_flat", job, frames)
    cards += [
        ("FILTER", job["channel"], "channel"),
        ("NDEAD", int(dead.sum()), "dead pixels"),
    ]
    if gain is not None:
        cards.append(("GAINMEAS", round(gain.value, 5), "[electron/adu] by photon transfer"))
        cards.append(("GAINERR", round(gain.error, 6), "[electron/adu] standard error"))
        choice = choose_gain(gain, None, frames[0]["egain"])
        log.info("gain %.4f +- %.4f e-/ADU. %s", gain.value, gain.error, choice.remark)
    write_product(
        path_to_master,
        cards,
        [
            image_hdu(combined.mean, "SCI"),
            image_hdu(combined.variance, "VAR"),
            image_hdu(combined.count, "COUNT"),
            image_hdu(np.where(dead, np.uint8(DEAD), np.uint8(0)), "MASK"),
            table_hdu(inputs_table(frames, [1 / n for n in levels]), "INPUTS"),
        ],
    )


def _usable(images: list[RawImage], frames: list[dict], offset: np.ndarray, job):
    """Leave out flats without light and flats that are burnt."""
    kept: tuple[list, list, list] = ([], [], [])
    step = max(1, images[0].shape[0] // _LINES)
    lines = np.arange(step // 2, images[0].shape[0], step)
    for image, frame in zip(images, frames, strict=True):
        raw = np.concatenate([image.rows(y, y + 1) for y in lines])
        level = float(np.nanmedian(raw - offset[lines]))
        burnt = float(np.mean(raw >= 0.98 * image.full_scale))
        if level <= 0 or burnt > _SATURATED_SHARE:
            why = "has no light" if level <= 0 else "is overexposed"
            log.warning("%s %s: left out", frame["name"], why)
            continue
        for values, value in zip(kept, (image, frame, level), strict=True):
            values.append(value)
    if not kept[0]:
        msg = (
            f"none of the {len(frames)} flats of {job['master']} is usable: all are without light "
            f"or overexposed; replace them, or set flat: none for channel '{job['channel']}'"
        )
        raise UserError(msg)
    return kept


def _gain_cells(images: Sequence[RawImage], offset: np.ndarray, noise: float) -> list[float]:
    cells: list[float] = []
    for first, second in list(zip(images[::2], images[1::2], strict=False))[:_PAIRS]:
        for top, bottom in bands(first.shape):
            pair = [image.rows(top, bottom) - offset[top:bottom] for image in (first, second)]
            cells += gain_e_per_adu(*pair, noise)
    return cells


if __name__ == "__main__":
    with job_log(snakemake.log[0]):
        master_flat(
            paths_to_raw=local_copies(snakemake.input.raw),
            paths_to_masters=snakemake.input.masters,
            path_to_master=snakemake.output[0],
            job=json.loads(snakemake.params.job),
        )
