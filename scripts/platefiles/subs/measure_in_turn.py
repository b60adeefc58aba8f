"""Measure the subs of one channel and night, several at a time with the same rows of masters."""

import threading
from collections.abc import Generator, Mapping, Sequence
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np

from platefiles.calibration.master_library import Masters
from platefiles.core.frame_errors import FrameError
from platefiles.core.hashing import file_sha256
from platefiles.raw_frames.raw_frame import RawImage, open_frame
from platefiles.settings.measure import Measure
from platefiles.subs.measure_sub import SampledSky, SkySampler, search_by_rows
from platefiles.subs.measured_rows import MeasuredSub, blank_row, fill_shape, fill_sky
from platefiles.subs.measured_wcs import world_row
from platefiles.subs.saturated_cores import cores_of_frame, flag_stars, stated_level
from platefiles.subs.sky_gain import SkyGains
from platelib.background.mesh import Mesh
from platelib.calibration.correction_cache import KeptLines
from platelib.calibration.photon_transfer import GainChoice
from platelib.calibration.saturation_level import NO_CORES, NO_PIXELS, find_pile_up
from platelib.detection.bright_pixels import brightest_pixels
from platelib.detection.star_finder import StarSearch
from platelib.detection.star_table import STAR
from platelib.numerics.workspace import Room
from platelib.registration.sub_state import SubState

MOST_TOGETHER = 5
"""Subs that a thread measures in turn."""
File = tuple[str | Path, Mapping[str, Any]]
"""A sub: its raw file and its facts."""
_NO_STARS = np.zeros(0, dtype=STAR)
_NO_SKY = np.zeros((0, 0), dtype=np.float32)


class Bench:
    """Measures subs of a job with their common masters and settings.

    Parameters
    ----------
    paths_to_masters : sequence of path-like
        Masters that the subs need.
    camera : mapping
        Camera of the equipment file, or ``calibrated``.
    settings : Measure
    files : sequence of tuple
        All subs of the job.
    """

    def __init__(
        self,
        paths_to_masters: Sequence[str | Path],
        camera: Mapping[str, Any],
        settings: Measure,
        files: Sequence[File],
    ):
        self._camera, self._settings = camera, settings
        self._masters = Masters(paths_to_masters)
        self._sampler = SkySampler(settings.background_cell_px)
        self._sky_gains = SkyGains(files, self._masters)
        self._turn = threading.Lock()  # masters are loaded by one thread at a time
        self._of_thread = threading.local()
        self._half_px: int | None = None

    def measure_in_turn(self, files: Sequence[File]) -> list[MeasuredSub]:
        """Measure several subs step by step.

        At each step all subs use the same rows of the masters, which are in the processor's cache
        after the first sub.
        """
        if not hasattr(self._of_thread, "rooms"):
            self._of_thread.rooms = [Room() for _ in range(MOST_TOGETHER)]
        rows, rooms = KeptLines(), self._of_thread.rooms[: len(files)]
        works = [
            self._measured(path, facts, rows, room)
            for (path, facts), room in zip(files, rooms, strict=True)
        ]
        results: dict[int, MeasuredSub] = {}
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
    ) -> Generator[None, None, MeasuredSub]:
        """Measure one sub."""
        row = blank_row(facts)
        try:
            with open_frame(path, facts) as image:
                row["sha256"], row["sums"] = image.sha256(), image.sums()
                _refuse_blank(image)
                return (yield from self._measured_image(image, facts, row, rows, room))
        except FrameError as error:
            row = blank_row(facts) | {"state": SubState.UNREADABLE, "reason": str(error)}
            row["sha256"] = file_sha256(path)
            return MeasuredSub(row, _NO_STARS, Mesh(_NO_SKY, _NO_SKY, (0, 0)), "")

    def _measured_image(
        self,
        image: RawImage,
        facts: Mapping[str, Any],
        row: dict[str, Any],
        rows: KeptLines,
        room: Room,
    ) -> Generator[None, None, MeasuredSub]:
        """Fill the row of a sub; measure its sky and stars."""
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
        fill_sky(row, image, detector, gain, sky)
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
        fill_shape(row, stars, search.fwhm)
        if calibrated and pile_up is None:
            with self._turn:  # a whole frame in memory, one at a time
                cores = cores_of_frame(image, row)
            flag_stars(stars, cores)
        row["stars"] = np.count_nonzero(stars["flags"] == 0)
        row["aperture_px"] = round(search.aperture_px, 4)
        return MeasuredSub(row, stars, sky.mesh, gain.remark, tops, cores)

    def _fill_unknown_gain(
        self, row: dict[str, Any], facts: Mapping[str, Any], sky: SampledSky
    ) -> tuple[float, GainChoice]:
        """Fill in and return the variance per unit of light for an unknown gain."""
        if self._camera.get("calibrated"):
            remark = "the frames are calibrated: no photon noise"
            return 0.0, GainChoice(0.0, "unknown", remark)
        with self._turn:
            alone = self._sky_gains.alone(facts, sky.mesh)
            row["light_variance"], choice = self._sky_gains.light_variance(facts, alone)
            row["gain_error"] = self._sky_gains.error(facts)
        return alone, choice

    def _search(self, sky: SampledSky, per_light: float, room: Room) -> StarSearch:
        wanted = self._settings
        return StarSearch(
            sky.mesh,
            wanted.detection_sigma,
            wanted.aperture_fwhm,
            wanted.max_stars,
            np.float32(per_light) * sky.light_factor,
            self._half_px,
            room,
        )


def groups_of(files: Sequence[File], threads: int) -> list[Sequence[File]]:
    """Split subs into groups of at most ``MOST_TOGETHER`` that occupy all threads equally.

    Each thread gets the same number of groups, larger ones first; sizes differ by at most one sub.
    """
    number = max(1, threads * -(-len(files) // (threads * MOST_TOGETHER)))
    size, larger = divmod(len(files), number)
    bounds = [size * k + min(k, larger) for k in range(number + 1)]
    return [files[start:stop] for start, stop in pairwise(bounds) if stop > start]


def _refuse_blank(image: RawImage) -> None:
    """Refuse a frame whose pixels are all equal, judged from a few rows."""
    ny = image.shape[0]
    sample = np.concatenate([image.rows(y, y + 1) for y in range(0, ny, max(1, ny // 8))])
    if sample.min() == sample.max():
        msg = "shows nothing: its pixels are all equal"
        raise FrameError(msg)


def _world(image: RawImage) -> np.ndarray:
    """Return the world coordinates of a calibrated frame in the form of `world_row`."""
    from platefiles.astrometry.header_wcs import (
        header_map,  # loads more of astropy than raw subs need
    )

    cards = {card.keyword: card.value for card in image.header.cards}
    found = header_map(cards, image.shape)
    return world_row(None if found is None else found.sky_map)
