"""Calibrated and registered pixels of a sub, straight from its raw file.

Every step takes them from here - measuring, integrating and the stored copies on request - so
what is written to disk on request is, bit for bit, what the integration saw.
"""

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from platefiles.calibration.master_library import Masters
from platefiles.raw_frames.raw_frame import RawImage
from platefiles.subs.hit_pixels import NO_HITS, HitPixels
from platelib.bad_pixels.interpolate import interpolate_bad_pixels
from platelib.calibration.calibrate import Detector, along_lines_with_variance
from platelib.calibration.correction import CalibrationLines, Correction
from platelib.calibration.correction_cache import LINES_BYTES, KeptLines
from platelib.calibration.photon_transfer import GainChoice
from platelib.numerics.transform import Transform
from platelib.numerics.workspace import Room
from platelib.resampling.resample import Cutout, Levels, resample, source_window
from platelib.resampling.sharp_pixels import curvature_of_star

_CALIBRATED_BYTES = 9  # value and variance as float32, a mask
_REACH = 2
_BAND_ROWS = 128
_DITHER_PX = 32


Planes = tuple[np.ndarray, np.ndarray, np.ndarray]
"""Values and variance, float32, and a mask, uint8, of one shape."""


class SubRoom(Room):
    """Memory that one thread reuses for successive subs.

    Attributes
    ----------
    lines : KeptLines
        Calibration of the part of the frame last used by the thread.
    """

    def __init__(self) -> None:
        super().__init__()
        self.lines = KeptLines(_DITHER_PX)


def source_bytes(
    transforms: Sequence[Transform], place: tuple[int, int], rows: int, columns: int
) -> int:
    """Return the memory of the calibrated part of a raw frame for a tile, bytes.

    Parameters
    ----------
    transforms : sequence of Transform
        Transforms of all subs; the largest demand counts.
    place : tuple of int
        First row and column of the tile.
    rows, columns : int
        Size of the tile.
    """
    spans = [(first, first + size) for first, size in zip(place, (rows, columns), strict=True)]
    most = 0
    for transform in transforms:
        height, width = (last - first for first, last in source_window(transform, *spans))
        interpolated = (height + 2 * _REACH) * (width + 2 * _REACH)
        lines = (height + 2 * _DITHER_PX) * (width + 2 * _DITHER_PX)
        copies = 2 if transform.exchanges_axes else 1
        most = max(most, copies * interpolated * _CALIBRATED_BYTES + lines * LINES_BYTES)
    return most


@dataclass(frozen=True)
class SkyNoise:
    """Noise of a sub from its own sky, for cameras of unknown gain.

    Attributes
    ----------
    variance, level : float
        Of the sky, in calibrated values.
    light_variance : float
        Variance per unit of light above the sky, in calibrated values.
    """

    variance: float = 0.0
    level: float = 0.0
    light_variance: float = 0.0


_NO_SKY_NOISE = SkyNoise()


def _planes(room: Room, shape: tuple[int, int]) -> Planes:
    """Return memory for values, variance and mask."""
    values, variance = (room.plane(name, shape, np.float32) for name in ("values", "variance"))
    return values, variance, room.plane("mask", shape, np.uint8)


def unit_of(gains: Iterable[float], unit: str) -> str:
    """Return the unit of products of subs: ``adu/s`` for ``electron/s`` if no gain is known."""
    known = any(gain > 0 for gain in gains)
    return unit if known or unit != "electron/s" else "adu/s"


class Sub:
    """An open sub with its calibration.

    Attributes
    ----------
    image : RawImage
    detector : Detector
    gain_choice : GainChoice
    full_scale : float
        Largest value of the raw file's format, ADU.
    """

    detector: Detector
    gain_choice: GainChoice

    def __init__(
        self,
        image: RawImage,
        facts: Mapping[str, Any],
        masters: Masters,
        camera: Mapping[str, Any],
        sky: SkyNoise = _NO_SKY_NOISE,
        hits: HitPixels = NO_HITS,
        saturation: float = math.nan,
        fwhm_px: float = math.nan,
    ):
        self.image = image
        self._hits = hits
        self.shape = image.shape
        self.full_scale = image.full_scale
        self._sky_variance = sky.variance
        self._curvature = curvature_of_star(fwhm_px)
        self._correction: Correction = masters.correction(
            facts["bias"], facts["dark"], facts["flat"], facts["dark_scale"], facts["pedestal"]
        )
        detector, self.gain_choice = masters.detector(
            facts, camera, image.full_scale, image.overscan_adu, saturation
        )
        self.detector = replace(detector, sky=sky.level, light_variance=sky.light_variance)

    @property
    def saturation(self) -> float:
        """Calibrated value of a saturated pixel for a flat of 1."""
        return (self.detector.saturation - self._correction.zero) * (self.detector.gain or 1.0)

    def calibrated(
        self, start: int, stop: int, room: Room | None = None
    ) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Return rows ``start`` to ``stop``, calibrated, bad pixels and cosmic rays interpolated.

        Parameters
        ----------
        start, stop : int
            Rows.
        room : Room, optional
            Memory of the result, which is valid until it is used again.

        Returns
        -------
        values, variance : numpy.ndarray
            ``(stop - start, nx)`` float32, electrons if the gain is known.
        mask : numpy.ndarray
            ``(stop - start, nx)`` uint8: 1 bad, 2 saturated.
        """
        ny, nx = self.shape
        top, bottom = max(0, start - _REACH), min(ny, stop + _REACH)
        planes, lines = _planes(room or Room(), (bottom - top, nx)), KeptLines()
        # What masters amount to is needed once, so it is not kept for more than some rows.
        for first in range(top, bottom, _BAND_ROWS):
            rows = (first, min(first + _BAND_ROWS, bottom))
            part = slice(first - top, rows[1] - top)
            out = planes[0][part], planes[1][part], planes[2][part]
            self._calibrate(rows, lines.of(self._correction, self.shape, rows, (0, nx)), 0, out)
        self._interpolate(planes, top, 0)
        values, variance, mask = (plane[start - top : stop - top] for plane in planes)
        return values, variance, mask

    def calibrated_box(
        self, rows: tuple[int, int], columns: tuple[int, int]
    ) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Return a calibrated box of the frame in new memory, see `calibrated`."""
        cutout = self._cutout(rows, columns, SubRoom())
        top, left = rows[0] - cutout.first_row, columns[0] - cutout.first_column
        inner = np.s_[top : top + rows[1] - rows[0], left : left + columns[1] - columns[0]]
        values, variance, mask = (
            plane[inner].copy() for plane in (cutout.values, cutout.variance, cutout.mask)
        )
        interpolate_bad_pixels(variance, mask)
        return values, variance, mask

    def add_hits(self, hits: HitPixels) -> None:
        """Add bad pixels."""
        self._hits = self._hits.with_others(hits)

    def _cutout(self, rows: tuple[int, int], columns: tuple[int, int], room: SubRoom) -> Cutout:
        """Calibrate a part of the frame with the margin for interpolation."""
        ny, nx = self.shape
        top, bottom = (
            max(0, rows[0] - _REACH),
            min(ny, rows[1] + _REACH),
        )
        left, right = (
            max(0, columns[0] - _REACH),
            min(nx, columns[1] + _REACH),
        )
        planes = _planes(room, (bottom - top, right - left))
        lines = room.lines.of(self._correction, self.shape, (top, bottom), (left, right))
        self._calibrate((top, bottom), lines, left, planes)
        self._interpolate(planes, top, left)
        return Cutout(*planes, top, left, self.shape, self._curvature)

    def _calibrate(
        self, rows: tuple[int, int], lines: CalibrationLines, left: int, out: Planes
    ) -> None:
        """Fill values, variance and mask of a part of the frame."""
        words = self.image.words(*rows)
        along_lines_with_variance(
            words, (rows[0], left), lines, self.detector, self._sky_variance, out
        )

    def _interpolate(self, planes: Planes, top: int, left: int) -> None:
        """Mark cosmic rays in a part of the frame, and interpolate bad pixels."""
        values, variance, mask = planes
        if len(self._hits):
            self._hits.mark(variance, mask, top, left)
        interpolate_bad_pixels(values, mask)

    def registered(
        self,
        transform: Transform,
        levels: Levels,
        rows: tuple[int, int],
        columns: tuple[int, int],
        out: tuple[np.ndarray, np.ndarray] | None = None,
        room: SubRoom | None = None,
        missing: np.ndarray | None = None,
    ) -> tuple[np.ndarray, np.ndarray]:
        """Return a registered and levelled tile of the grid, in ``out`` if given.

        Parameters
        ----------
        transform : Transform
            Grid to raw pixels.
        levels : Levels
            Scale and sky.
        rows, columns : tuple of int
            First row or column of the grid and the one after the last.
        out : tuple of numpy.ndarray, optional
            Both of the shape of the tile, float32.
        room : Room, optional
            Memory to use.
        missing : numpy.ndarray, optional
            Uint8 of the shape of the tile, filled as by `platelib.resampling.resample.resample`.

        Returns
        -------
        values, variances : numpy.ndarray
            Float32 of the shape of the tile; NaN without good pixels.
        """
        if out is None:
            shape = (rows[1] - rows[0], columns[1] - columns[0])
            out = (np.empty(shape, dtype=np.float32), np.empty(shape, dtype=np.float32))
        window = source_window(transform, rows, columns)
        reached, across = (
            (max(0, first), min(size, last))
            for (first, last), size in zip(window, self.shape, strict=True)
        )
        if reached[1] <= reached[0] or across[1] <= across[0]:
            for plane in out:
                plane.fill(np.nan)
            if missing is not None:
                missing.fill(1)
            return out
        cutout = self._cutout(reached, across, room or SubRoom())
        return resample(cutout, transform, rows, columns, levels, out, missing)
