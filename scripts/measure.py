"""Measure the sky, the noise and the stars of each sub of one channel and night."""

import json
import threading
import warnings
from collections.abc import Iterator, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from platefiles.fetching import local_copies
from platefiles.fitsfile import write_product
from platefiles.joblog import job_log, log
from platefiles.masters import Masters
from platefiles.provenance import file_sha256, making_cards
from platefiles.rawframe import FrameError, RawImage, open_raw
from platefiles.subs import Sub
from platefiles.tables import columns_hdu
from platelib.calibration import SATURATED
from platelib.detections import STAR, Mesh
from platelib.sky import sky_mesh
from platelib.stars import find_stars

_SATURATED_SHARE = 0.5
_EXCESS_WORTH_COUNTING = 1.15
_SHAPE_STARS = 100
_MODEL_STEP = 11
_ROOM_PX = 70_000_000
_NO_STARS = np.zeros(0, dtype=STAR)
_NO_SKY = np.zeros((0, 0), dtype=np.float32)


@dataclass(frozen=True)
class _Measured:
    """A row of ``SUBS``, the stars, and the sky; ``remark`` is for the log."""

    row: dict[str, Any]
    stars: np.ndarray
    mesh: Mesh
    remark: str


class _Room:
    """Keeps frames waiting while the pixels in memory, of some ten bytes each, are too many."""

    def __init__(self, pixels: int):
        self._all = self._free = pixels
        self._changed = threading.Condition()

    @contextmanager
    def taken(self, pixels: int) -> Iterator[None]:
        """Hold room for so many pixels; a frame larger than all of it has it for itself."""
        needed = min(pixels, self._all)
        with self._changed:
            self._changed.wait_for(lambda: self._free >= needed)
            self._free -= needed
        try:
            yield
        finally:
            with self._changed:
                self._free += needed
                self._changed.notify_all()


def measure(
    paths_to_raw: Sequence[str | Path],
    paths_to_masters: Sequence[str | Path],
    path_to_measures: str | Path,
    job: Mapping[str, Any],
    threads: int = 1,
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
    threads : int
        Subs that are measured at one time; fewer if their frames are too large for memory.
    """
    masters = Masters(paths_to_masters)
    turn, room = threading.Lock(), _Room(_ROOM_PX)
    # Opening a frame sets warnings aside, which threads cannot do each for itself.
    with warnings.catch_warnings(), ThreadPoolExecutor(threads) as pool:
        warnings.simplefilter("ignore")
        work = pool.map(
            lambda path, facts: _measure_file(path, facts, masters, job, turn, room),
            paths_to_raw,
            job["subs"],
        )
        subs = []
        for sub in work:
            log.info("%s: %s %s", *(sub.row[key] for key in ("name", "state", "reason")))
            if sub.remark:
                log.info("%s: %s", sub.row["name"], sub.remark)
            subs.append(sub)
    write_product(
        path_to_measures,
        [
            *making_cards("measure", job),
            ("FILTER", job["channel"], "channel"),
            ("NIGHT", job["night"], "night, noon to noon"),
        ],
        [
            columns_hdu({name: [sub.row[name] for sub in subs] for name in subs[0].row}, "SUBS"),
            columns_hdu(_star_columns(subs), "STARS"),
            columns_hdu(_sky_columns(subs), "SKY"),
        ],
    )


def _measure_file(
    path: str | Path,
    facts: Mapping[str, Any],
    masters: Masters,
    job: Mapping[str, Any],
    turn: threading.Lock,
    room: _Room,
) -> _Measured:
    """Measure the sub in a file; masters are loaded by one thread at a time."""
    row = _blank_row(facts)
    try:
        row["sha256"] = file_sha256(path)
        with open_raw(path) as image:
            _refuse_blank(image)
            with turn:
                sub = Sub(image, facts, masters, job["camera"])
            with room.taken(image.shape[0] * image.shape[1]):
                stars, mesh = _measure_sub(sub, row, job["settings"])
        return _Measured(row, stars, mesh, sub.gain_choice.remark)
    except FrameError as error:
        row["state"], row["reason"] = "unreadable", str(error)
        return _Measured(row, _NO_STARS, Mesh(_NO_SKY, _NO_SKY, (0, 0)), "")


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


def _measure_sub(
    sub: Sub, row: dict[str, Any], settings: Mapping[str, Any]
) -> tuple[np.ndarray, Mesh]:
    """Fill the row of a sub; return its stars and its sky mesh."""
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
    if sub.detector.gain > 0:
        model = float(np.median(variance[::_MODEL_STEP, ::_MODEL_STEP]))
        excess = noise**2 / model if model > 0 else 1.0
        row["excess"] = float(f"{excess:.6g}") if excess > _EXCESS_WORTH_COUNTING else 1.0
    else:
        variance = np.full_like(values, noise**2)
    if np.count_nonzero(mask & SATURATED) > _SATURATED_SHARE * mask.size:
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


def _star_columns(subs: Sequence[_Measured]) -> dict[str, np.ndarray]:
    numbers = np.repeat(np.arange(len(subs), dtype=np.int32), [len(sub.stars) for sub in subs])
    stars = np.concatenate([sub.stars for sub in subs])
    return {"sub": numbers} | {name: stars[name] for name in STAR.names or ()}


def _sky_columns(subs: Sequence[_Measured]) -> dict[str, np.ndarray]:
    cells = [np.indices(sub.mesh.level.shape, dtype=np.int32).reshape(2, -1) for sub in subs]
    numbers = np.arange(len(subs), dtype=np.int32)
    rows, columns = np.concatenate(cells, axis=1)
    return {
        "sub": np.repeat(numbers, [sub.mesh.level.size for sub in subs]),
        "row": rows,
        "column": columns,
        "level": np.concatenate([sub.mesh.level.ravel() for sub in subs]),
        "noise": np.concatenate([sub.mesh.noise.ravel() for sub in subs]),
    }


if __name__ == "__main__":
    with job_log(snakemake.log[0]):
        measure(
            paths_to_raw=local_copies(snakemake.input.raw),
            paths_to_masters=snakemake.input.masters,
            path_to_measures=snakemake.output[0],
            job=json.loads(snakemake.params.job),
            threads=snakemake.threads,
        )
