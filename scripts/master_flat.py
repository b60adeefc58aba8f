"""Combine flat frames to the response of the optics and pixels; measure the gain from pairs."""

import json
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np

from platefiles.calibration.combine_master import (
    Offset,
    closing_hdus,
    combine_images,
    digests_of,
    make_master,
    master_cards,
    master_product,
)
from platefiles.calibration.master_job import MasterJob
from platefiles.calibration.master_library import Masters
from platefiles.core.errors import UserError
from platefiles.jobs.job_log import job_log, log
from platefiles.raw_frames.raw_frame import RawImage
from platefiles.settings.calibration import FlatMaster
from platefiles.settings.job import JobSettings
from platefiles.transfers.fetch import local_copies
from platelib.bad_pixels.detect import DEAD, dead_pixels
from platelib.calibration.photon_transfer import bands, choose_gain, gain_e_per_adu, summarise

_PAIRS = 5
_SATURATED_SHARE = 0.01
_LINES, _COLUMNS = 64, 512
"""Rows and columns, spread evenly, whose pixels tell the level of a flat."""


class _Settings(JobSettings):
    calibration: FlatMaster


class Job(MasterJob):
    """The job of a master flat."""

    settings: _Settings
    channel: str


def master_flat(
    paths_to_raw: Sequence[str | Path],
    paths_to_masters: Sequence[str | Path],
    path_to_master: str | Path,
    job: Mapping[str, Any],
    threads: int = 1,
) -> None:
    """Write a master flat.

    Each flat loses its own dark, or the bias, or nothing where there is neither, and is scaled to
    a median of 1 before the combination, so that a changing lamp or sky does not clip it.

    Parameters
    ----------
    paths_to_raw : sequence of path-like
        Flat frames, in the order of ``job.frames``.
    paths_to_masters : sequence of path-like
        Master bias and dark of the flats, whichever there are.
    path_to_master : path-like
        Product: ``SCI`` (response, median 1), ``VAR``, ``COUNT``, ``MASK`` (2 dead), ``INPUTS``;
        the measured gain in ``GAINMEAS``.
    job : mapping
        See `Job`.
    threads : int
        With two, files are digested while frames are combined; it changes no bit.
    """
    given = Job.of(job)
    settings = given.settings.calibration
    masters = Masters(paths_to_masters)
    offset = Offset([masters.image(name) for name in (given.bias, given.dark) if name])
    noise = masters.card(given.bias, "RNOISE")

    def make(images: list[RawImage], frames: list[dict]) -> None:
        images, frames, levels = _usable(images, frames, offset, given)
        cards = [
            *master_cards("master_flat", given, frames),
            ("CHANNEL", given.channel),
            ("NDEAD", 0),
            *([] if noise is None else _gain_cards(images, frames, offset, float(noise))),
        ]
        factors = [1 / level for level in levels]
        product = master_product(path_to_master, cards, images[0].shape, None, mask=True)
        with digests_of(images, threads) as digests, product:
            combine_images(images, settings.clip_sigma, product, offset, factors)
            dead = dead_pixels(product.image("SCI"), settings.dead_pixel_response)
            mask = np.where(dead, np.uint8(DEAD), np.uint8(0))
            product.fill({"MASK": mask}, (0, len(mask)))
            number = {"NDEAD": np.count_nonzero(dead)}
            paths = (paths_to_raw, paths_to_masters, path_to_master)
            hdus = closing_hdus("flat", paths, given, frames, digests, factors)
            product.finish(hdus, number, threads)

    make_master(paths_to_raw, given, make)


def _usable(images: list[RawImage], frames: list[dict], offset: Offset, job: Job):
    """Leave out flats without light and saturated flats."""
    kept: tuple[list, list, list] = ([], [], [])
    ny, nx = images[0].shape
    step = max(1, ny // _LINES)
    lines, columns = range(step // 2, ny, step), slice(None, None, max(1, nx // _COLUMNS))
    below = offset[slice(lines.start, lines.stop, lines.step)]
    for image, frame in zip(images, frames, strict=True):
        raw = np.concatenate([image.rows(y, y + 1)[:, columns] for y in lines])
        level = float(np.nanmedian(raw if below is None else raw - below[:, columns]))
        burnt = float(np.mean(raw >= 0.98 * image.full_scale))
        if level <= 0 or burnt > _SATURATED_SHARE:
            why = "has no light" if level <= 0 else "is overexposed"
            log.warning("%s %s: left out", frame["name"], why)
            continue
        for values, value in zip(kept, (image, frame, level), strict=True):
            values.append(value)
    if not kept[0]:
        msg = (
            f"none of the {len(frames)} flats of {job.master} is usable: all are without light "
            f"or overexposed; replace them, or set flat: none for channel '{job.channel}'"
        )
        raise UserError(msg)
    return kept


def _gain_cards(
    images: Sequence[RawImage], frames: Sequence[dict], offset: Offset, noise: float
) -> list[tuple]:
    """Measure the gain."""
    cells: list[float] = []
    for first, second in list(zip(images[::2], images[1::2], strict=False))[:_PAIRS]:
        for top, bottom in bands(first.shape):
            below = offset[slice(top, bottom)]
            pair = [image.rows(top, bottom) - below for image in (first, second)]
            cells += gain_e_per_adu(*pair, noise)
    gain = summarise(cells)
    if gain is None:
        return []
    choice = choose_gain(gain, None, frames[0]["egain"])
    log.info("gain %.4f +- %.4f e-/ADU. %s", gain.value, gain.error, choice.remark)
    return [
        ("GAINMEAS", round(gain.value, 5)),
        ("GAINERR", round(gain.error, 6)),
    ]


if __name__ == "__main__":
    with job_log(snakemake.log[0], snakemake.params.job, snakemake.output[0]):
        master_flat(
            paths_to_raw=local_copies(snakemake.input.raw),
            paths_to_masters=snakemake.input.masters,
            path_to_master=snakemake.output[0],
            job=json.loads(snakemake.params.job),
            threads=snakemake.threads,
        )
