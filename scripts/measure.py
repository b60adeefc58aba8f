"""Measure the sky, the noise and the stars of each sub of one channel and night."""

import json
import threading
import warnings
from collections.abc import Generator, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from itertools import chain, pairwise
from pathlib import Path
from typing import Any

import numpy as np

from platefiles.calibration.master_library import Masters
from platefiles.core.frame_errors import FrameError
from platefiles.core.hashing import file_sha256
from platefiles.fits.products_io import write_product
from platefiles.fits.tables import columns_hdu
from platefiles.jobs.job_log import job_log, log
from platefiles.provenance.header_provenance import making_cards
from platefiles.provenance.record import raw_record, record_hdu
from platefiles.raw_frames.raw_frame import RawImage, open_frame
from platefiles.raw_frames.sensor_sections import overscan_cards
from platefiles.subs.measure_sub import SampledSky, SkySampler, search_by_rows
from platefiles.subs.measured_wcs import world_row
from platefiles.subs.saturated_cores import (
    cores_of_frame,
    cores_of_subs_hdu,
    flag_stars,
    stated_level,
)
from platefiles.subs.sky_gain import SkyGains
from platefiles.transfers.fetch import local_copies
from platelib.background.mesh import Mesh
from platelib.calibration.correction import Detector
from platelib.calibration.correction_cache import KeptLines
from platelib.calibration.photon_transfer import GainChoice
from platelib.calibration.saturation_level import (
    NO_CORES,
    NO_PIXELS,
    Brightest,
    LostCores,
    find_pile_up,
)
from platelib.detection.bright_pixels import brightest_pixels
from platelib.detection.star_finder import StarSearch
from platelib.detection.star_table import STAR
from platelib.detection.star_widths import GROUP
from platelib.numerics.workspace import Room

_SATURATED_SHARE = 0.5
_EXCESS_WORTH_COUNTING = 1.15
_SHAPE_STARS = 100
_TOGETHER = 5
_TOPS_KEPT = 64
File = tuple[str | Path, Mapping[str, Any]]
"""A sub: its raw file and its facts."""
_NO_STARS = np.zeros(0, dtype=STAR)
_NO_SKY = np.zeros((0, 0), dtype=np.float32)


@dataclass(frozen=True)
class _Measured:
    """A row of ``SUBS``, the stars, the sky, the brightest pixels; ``remark`` is for the log."""

    row: dict[str, Any]
    stars: np.ndarray
    mesh: Mesh
    remark: str
    tops: Brightest = NO_PIXELS
    cores: LostCores = NO_CORES


class _Bench:
    """What the subs of a job have in common, and the measuring of some of them."""

    def __init__(
        self, paths_to_masters: Sequence[str | Path], job: Mapping[str, Any], files: Sequence[File]
    ):
        self._camera, self._settings = job["camera"], job["settings"]
        self._masters = Masters(paths_to_masters)
        self._sampler = SkySampler(self._settings["background_cell_px"])
        self._sky_gains = SkyGains(files, self._masters)
        self._turn = threading.Lock()  # masters are loaded by one thread at a time
        self._of_thread = threading.local()
        self._half_px: int | None = None

    def measure_in_turn(self, files: Sequence[File]) -> list[_Measured]:
        """Measure some subs, each a step at a time.

        At each step all of them need the same rows of the masters, which are read from memory for
        the first of them and lie in the processor's cache for the others.
        """
        if not hasattr(self._of_thread, "rooms"):
            self._of_thread.rooms = [Room() for _ in range(_TOGETHER)]
        rows, rooms = KeptLines(), self._of_thread.rooms[: len(files)]
        works = [
            self._measured(path, facts, rows, room)
            for (path, facts), room in zip(files, rooms, strict=True)
        ]
        results: dict[int, _Measured] = {}
        while len(results) < len(works):
            for number, work in enumerate(works):
                if number not in results:
                    try:
                        next(work)
                    except StopIteration as end:
                        results[number] = end.value
        return [results[number] for number in range(len(works))]

    def _measured(
        self, path: str | Path, facts: Mapping[str, Any], rows: KeptLines, room: Room
    ) -> Generator[None, None, _Measured]:
        """Measure the sub in a file."""
        row = _blank_row(facts)
        try:
            with open_frame(path, facts) as image:
                row["sha256"], row["sums"] = image.sha256(), image.sums()
                _refuse_blank(image)
                return (yield from self._measured_image(image, facts, row, rows, room))
        except FrameError as error:
            row = _blank_row(facts) | {"state": "unreadable", "reason": str(error)}
            row["sha256"] = file_sha256(path)
            return _Measured(row, _NO_STARS, Mesh(_NO_SKY, _NO_SKY, (0, 0)), "")

    def _measured_image(
        self,
        image: RawImage,
        facts: Mapping[str, Any],
        row: dict[str, Any],
        rows: KeptLines,
        room: Room,
    ) -> Generator[None, None, _Measured]:
        """Fill the row of a sub, and find its sky and its stars."""
        tops = NO_PIXELS
        if self._camera.get("saturation_adu") is None:
            tops = brightest_pixels(image.words, image.shape, image.step)
        pile_up = find_pile_up(tops)
        calibrated = self._camera.get("calibrated", False)
        threshold = np.nan if pile_up is None else pile_up.threshold
        if calibrated and pile_up is None:
            threshold = stated_level(image, tops)
        with self._turn:
            bias, dark, flat = (facts[kind] for kind in ("bias", "dark", "flat"))
            correction = self._masters.correction(
                bias, dark, flat, facts["dark_scale"], facts["pedestal"]
            )
            detector, gain = self._masters.detector(
                facts, self._camera, image.full_scale, image.overscan_adu, threshold
            )
        row["saturation_adu"], row["top_adu"] = detector.saturation, tops.top
        row["pile_up_adu"] = 0.0 if pile_up is None else pile_up.level
        sky = self._sampler.sample(image, correction, detector)
        per_light = 1.0
        if not detector.gain:
            per_light, gain = self._fill_unknown_gain(row, facts, sky)
        _fill_sky(row, image, detector, gain, sky)
        if calibrated:
            row["world"] = _world(image)
        yield
        search = self._search(sky, per_light, room)
        yield from search_by_rows(image, correction, detector, search, rows, room)
        if search.needed_half_px > search.half_px:
            self._half_px = search.needed_half_px
            search = self._search(sky, per_light, room)
            yield from search_by_rows(image, correction, detector, search, rows, room)
        stars, cores = search.stars(), NO_CORES
        _fill_shape(row, stars, search.fwhm)
        if calibrated and pile_up is None:
            with self._turn:  # a whole frame in memory, one at a time
                cores = cores_of_frame(image, row)
            flag_stars(stars, cores)
        row["stars"] = np.count_nonzero(stars["flags"] == 0)
        row["aperture_px"] = round(search.aperture_px, 4)
        return _Measured(row, stars, sky.mesh, gain.remark, tops, cores)

    def _fill_unknown_gain(
        self, row: dict[str, Any], facts: Mapping[str, Any], sky: SampledSky
    ) -> tuple[float, GainChoice]:
        """Fill how noise grows with light into a row; return it for the sub's stars."""
        if self._camera.get("calibrated"):
            remark = "the frames are calibrated: no photon noise"
            return 0.0, GainChoice(0.0, "unknown", remark)
        with self._turn:
            alone = self._sky_gains.alone(facts, sky.mesh)
            row["light_variance"], choice = self._sky_gains.light_variance(facts, alone)
            row["gain_error"] = self._sky_gains.error(facts)
        return alone, choice

    def _search(self, sky: SampledSky, per_light: float, room: Room) -> StarSearch:
        names = ("detection_sigma", "aperture_fwhm", "max_stars")
        settings = (self._settings[name] for name in names)
        light_variance = np.float32(per_light) * sky.light_factor
        return StarSearch(sky.mesh, *settings, light_variance, self._half_px, room)


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
        Product: tables ``SUBS`` (a row a sub), ``STARS`` (a row a star), ``TOPS`` (a row for each
        of the brightest pixels that do not stand alone), ``SATCORES`` (a row a saturated core of a
        calibrated frame) and ``SKY`` (a row a cell of the sky mesh), all but the first with the
        number of the sub in ``sub``.
    job : mapping
        Settings: those of the ``measure`` group.
    threads : int
        Threads that measure subs, each a few of them in turn.
    """
    files = list(zip(paths_to_raw, job["subs"], strict=True))
    subs = _measure_all(files, _Bench(paths_to_masters, job, files), threads)
    raws = [
        raw_record("light", facts, sub.row["sha256"], path)
        for (path, facts), sub in zip(files, subs, strict=True)
    ]
    inputs = {"raw": raws, "masters": paths_to_masters}
    write_product(
        path_to_measures,
        [
            *making_cards("measure", job),
            ("FILTER", job["channel"], "channel"),
            ("NIGHT", job["night"], "night, noon to noon"),
            *overscan_cards(job["subs"]),
        ],
        [
            columns_hdu({name: [sub.row[name] for sub in subs] for name in subs[0].row}, "SUBS"),
            columns_hdu(_star_columns(subs), "STARS"),
            columns_hdu(_top_columns(subs), "TOPS"),
            cores_of_subs_hdu([sub.cores for sub in subs]),
            columns_hdu(_sky_columns(subs), "SKY"),
            record_hdu("measure", path_to_measures, job, inputs),
        ],
    )


def _measure_all(files: Sequence[File], bench: _Bench, threads: int) -> list[_Measured]:
    """Measure the subs, and say in the log what became of them."""
    subs = []
    # Opening a frame sets warnings aside, which threads cannot do each for itself.
    with warnings.catch_warnings(), ThreadPoolExecutor(threads) as pool:
        warnings.simplefilter("ignore")
        for sub in chain.from_iterable(pool.map(bench.measure_in_turn, groups_of(files, threads))):
            log.info("%s: %s %s", *(sub.row[key] for key in ("name", "state", "reason")))
            if sub.remark:
                log.info("%s: %s", sub.row["name"], sub.remark)
            if len(sub.cores):
                log.info("%s: %d stars with saturated cores", sub.row["name"], len(sub.cores))
            subs.append(sub)
    return subs


def groups_of(files: Sequence[File], threads: int) -> list[Sequence[File]]:
    """Share subs out in groups of at most ``_TOGETHER``, so that all threads are done together.

    Each thread gets as many groups as any other, the larger ones first: they differ by one sub.
    """
    number = max(1, threads * -(-len(files) // (threads * _TOGETHER)))
    size, larger = divmod(len(files), number)
    bounds = [size * k + min(k, larger) for k in range(number + 1)]
    return [files[start:stop] for start, stop in pairwise(bounds) if stop > start]


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
        "setting": facts["setting"],
        "sha256": "",
        "sums": "",
        "start_utc": facts["start_utc"],
        "exposure_s": float(facts["exposure_s"]),
        "state": "measured",
        "reason": "",
        "width_px": 0,
        "height_px": 0,
        "stars": 0,
        "fwhm_px": np.nan,
        "ellipticity": np.nan,
        "aperture_px": np.nan,
        "sky": np.nan,
        "noise": np.nan,
        "excess": 1.0,
        "gain": np.nan,
        "gain_error": 0.0,
        "gain_source": "",
        "light_variance": 0.0,
        "read_noise": np.nan,
        "saturation_adu": np.nan,
        "pile_up_adu": 0.0,
        "top_adu": 0.0,
        "bias": facts["bias"] or "none",
        "dark": facts["dark"] or "none",
        "flat": facts["flat"] or "none",
        "world": world_row(None),
    }


def _world(image: RawImage) -> np.ndarray:
    """Return the world coordinates of a calibrated frame, as `world_row` keeps them."""
    from platefiles.astrometry.header_wcs import (
        header_map,  # loads more of astropy than raw subs need
    )

    cards = {card.keyword: card.value for card in image.header.cards}
    found = header_map(cards, image.shape)
    return world_row(None if found is None else found.sky_map)


def _fill_sky(
    row: dict[str, Any],
    image: RawImage,
    detector: Detector,
    gain: GainChoice,
    sky: SampledSky,
) -> None:
    row["height_px"], row["width_px"] = image.shape
    row["sky"] = float(f"{np.median(sky.mesh.level):.6g}")
    row["noise"] = noise = float(f"{np.median(sky.mesh.noise):.6g}")
    row["gain"], row["gain_source"] = gain.value, gain.source
    row["read_noise"] = detector.read_noise
    if detector.gain > 0 and sky.model_variance > 0:
        excess = noise**2 / sky.model_variance
        row["excess"] = float(f"{excess:.6g}") if excess > _EXCESS_WORTH_COUNTING else 1.0
    if sky.saturated > _SATURATED_SHARE:
        row["state"], row["reason"] = "saturated", "more than half of the pixels are saturated"


def _fill_shape(row: dict[str, Any], stars: np.ndarray, fwhm_px: float) -> None:
    """Fill the median width and ellipticity of the usual stars."""
    good = stars[stars["flags"] == 0]
    usual = good[np.abs(np.log(good["fwhm"] / fwhm_px)) <= GROUP][:_SHAPE_STARS]
    if len(usual):
        row["fwhm_px"] = float(np.median(usual["fwhm"]))
        row["ellipticity"] = float(np.median(usual["ellipticity"]))


def _star_columns(subs: Sequence[_Measured]) -> dict[str, np.ndarray]:
    numbers = np.repeat(np.arange(len(subs), dtype=np.int32), [len(sub.stars) for sub in subs])
    stars = np.concatenate([sub.stars for sub in subs])
    return {"sub": numbers} | {name: stars[name] for name in STAR.names or ()}


def _top_columns(subs: Sequence[_Measured]) -> dict[str, np.ndarray]:
    kept = [min(len(sub.tops.values), _TOPS_KEPT) for sub in subs]
    parts = [(sub.tops, np.s_[:count]) for sub, count in zip(subs, kept, strict=True)]
    return {
        "sub": np.repeat(np.arange(len(subs), dtype=np.int32), kept),
        "x": np.concatenate([tops.x[part] for tops, part in parts]),
        "y": np.concatenate([tops.y[part] for tops, part in parts]),
        "value": np.concatenate([tops.values[part] for tops, part in parts]),
    }


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
    with job_log(snakemake.log[0], snakemake.params.job, snakemake.output[0]):
        measure(
            paths_to_raw=local_copies(snakemake.input.raw),
            paths_to_masters=snakemake.input.masters,
            path_to_measures=snakemake.output[0],
            job=json.loads(snakemake.params.job),
            threads=snakemake.threads,
        )
