"""Sky and stars of a sub, straight from its raw file: a lattice of pixels, then rows in order.

A sub is never held as a whole. Of what is calibrated, the samples of the sky are kept until its
mesh is made, and a square about each star until the apertures are summed.
"""

import threading
from collections.abc import Callable, Generator, Iterator
from dataclasses import dataclass, replace

import numpy as np

from platefiles.core.frame_errors import FrameError
from platefiles.raw_frames.raw_frame import RawImage
from platelib.background.measure_mesh import mesh_of_samples
from platelib.background.mesh import Mesh
from platelib.background.sample_grid import Lattice
from platelib.bad_pixels.interpolate import interpolate_bad_pixels
from platelib.calibration.calibrate import Detector, along_lines, calibrate
from platelib.calibration.correction import CalibrationLines, Correction, lines_of
from platelib.calibration.correction_cache import KeptLines
from platelib.detection.star_finder import StarSearch
from platelib.numerics.mask_bits import SATURATED
from platelib.numerics.medians import median_of
from platelib.numerics.workspace import Room

_SAMPLE_ROWS = 32
_SEARCH_ROWS = 48
_INTERPOLATION_REACH = 2
_ROW_STEP, _COLUMN_STEP = 23, 5
_SETS_KEPT = 2


@dataclass(frozen=True)
class SampledSky:
    """Sky and noise of a sub from a sample of its pixels.

    Attributes
    ----------
    mesh : Mesh
    light_factor : numpy.ndarray
        ``(my, mx)``: 1 / flat for the cells of the mesh: variance per electron.
    model_variance : float
        Median pixel variance of the detector model.
    saturated : float
        Fraction of saturated pixels.
    """

    mesh: Mesh
    light_factor: np.ndarray
    model_variance: float
    saturated: float


@dataclass(frozen=True)
class _SampledMasters:
    """Masters at the sample positions.

    ``lines`` are on the lattice of the sky; ``coarse`` covers a subset of rows and columns for
    variance and saturation; ``light`` is the light factor of each cell. The reference to ``origin``
    prevents reuse of its id by another object.
    """

    origin: Correction
    lines: CalibrationLines
    coarse: Correction
    light: np.ndarray


class SkySampler:
    """Samples subs, with a cache of the samples of the last masters.

    Parameters
    ----------
    cell_px : int
        Side of the cells of the mesh.
    """

    def __init__(self, cell_px: int):
        self._cell_px = cell_px
        self._turn = threading.Lock()
        self._of_thread = threading.local()
        self._kept: dict[tuple[int, Lattice], _SampledMasters] = {}

    def sample(self, image: RawImage, correction: Correction, detector: Detector) -> SampledSky:
        """Measure the sky of a frame.

        Raises
        ------
        FrameError
            If almost no pixel is usable.
        ValueError
            If the planes of the correction have another shape.
        """
        lattice = Lattice.over(image.shape, self._cell_px)
        masters = self._masters(correction, lattice)
        if not hasattr(self._of_thread, "room"):
            self._of_thread.room = Room()
        room: Room = self._of_thread.room
        samples = room.plane("samples", lattice.shape, np.float32)
        flags = np.empty((_SAMPLE_ROWS, lattice.shape[1]), dtype=np.uint8)
        for first, last in _slabs(lattice):
            raw = lattice.pick(image.words(*lattice.image_rows(first, last)), first, last)
            out = samples[first:last], flags[: last - first]
            along_lines(raw, (first, 0), masters.lines, detector, out)
        mesh = mesh_of_samples(samples, lattice, room)
        if np.isnan(mesh.level).any() or not (mesh.noise > 0).any():
            msg = "has no usable pixels: all are masked or missing"
            raise FrameError(msg)
        _, variance, mask = calibrate(_coarse(image), masters.coarse, detector)
        saturated = int(np.count_nonzero(mask & SATURATED)) / mask.size
        return SampledSky(mesh, masters.light, median_of(variance), saturated)

    def _masters(self, correction: Correction, lattice: Lattice) -> _SampledMasters:
        key = id(correction), lattice
        with self._turn:
            if key not in self._kept:
                while len(self._kept) >= _SETS_KEPT:
                    del self._kept[next(iter(self._kept))]
                self._kept[key] = _sampled_masters(correction, lattice)
            return self._kept[key]


def _coarse(image: RawImage) -> np.ndarray:
    """Return every n-th row and column, as stored words if the image has them."""
    rows = range(0, image.shape[0], _ROW_STEP)
    picked = [image.words(y, y + 1)[:, ::_COLUMN_STEP] for y in rows]
    return np.concatenate(picked, dtype=picked[0].dtype)  # which loses the byte order otherwise


def _sampled_masters(correction: Correction, lattice: Lattice) -> _SampledMasters:
    if others := correction.shapes - {lattice.image_shape}:
        msg = f"raw frame is {lattice.image_shape}, its correction {min(others)}"
        raise ValueError(msg)
    offset, factor = (np.empty(lattice.shape, dtype=np.float32) for _ in range(2))
    for first, last in _slabs(lattice):
        picked = _picked(correction, lattice, first, last)
        slab = lines_of(picked, (0, last - first), (0, lattice.shape[1]))
        offset[first:last], factor[first:last] = slab.offset, slab.factor
    lines = CalibrationLines(offset, factor)
    # A copy, since the samples of a mesh are changed.
    light = mesh_of_samples(lines.factor.copy(), lattice).level
    return _SampledMasters(correction, lines, _coarse_masters(correction), light)


def _slabs(lattice: Lattice) -> Iterator[tuple[int, int]]:
    """Yield ranges of sample rows, a few at a time."""
    rows = lattice.shape[0]
    for first in range(0, rows, _SAMPLE_ROWS):
        yield first, min(rows, first + _SAMPLE_ROWS)


def _picked(correction: Correction, lattice: Lattice, first: int, last: int) -> Correction:
    """Return the correction of a range of sample rows."""
    rows = correction.rows(*lattice.image_rows(first, last))
    return _of_planes(rows, lambda plane: lattice.pick(plane, first, last))


def _coarse_masters(correction: Correction) -> Correction:
    """Return the correction of every n-th row and column."""
    return _of_planes(
        correction, lambda plane: np.ascontiguousarray(plane[::_ROW_STEP, ::_COLUMN_STEP])
    )


def _of_planes(correction: Correction, change: Callable[[np.ndarray], np.ndarray]) -> Correction:
    """Return a correction with a function applied to its planes."""
    bias, dark, flat = (
        None if plane is None else change(plane)
        for plane in (correction.bias, correction.dark, correction.flat)
    )
    masks = tuple(change(mask) for mask in correction.masks)
    return replace(correction, bias=bias, dark=dark, flat=flat, masks=masks)


def search_by_rows(
    image: RawImage,
    correction: Correction,
    detector: Detector,
    search: StarSearch,
    shared: KeptLines,
    room: Room,
) -> Generator[None, None, None]:
    """Feed a calibrated frame without bad pixels to a star search; yield every few rows.

    Parameters
    ----------
    image : RawImage
    correction : Correction
    detector : Detector
    search : StarSearch
    shared : KeptLines
        Shared by all subs searched in turn.
    room : Room
        Working memory of this sub alone.
    """
    ny, nx = image.shape
    height = max(_SEARCH_ROWS, search.least_rows)
    shape = (height + 2 * _INTERPOLATION_REACH, nx)
    rooms = [
        (room.plane(f"values {k}", shape, np.float32), room.plane(f"mask {k}", shape, np.uint8))
        for k in range(2)
    ]
    for number, start in enumerate(range(0, ny, height)):
        stop = min(ny, start + height)
        top, bottom = max(0, start - _INTERPOLATION_REACH), min(ny, stop + _INTERPOLATION_REACH)
        lines = shared.of(correction, image.shape, (top, bottom), (0, nx))
        # The search looks at the rows before as well.
        values, mask = (plane[: bottom - top] for plane in rooms[number % 2])
        along_lines(image.words(top, bottom), (top, 0), lines, detector, (values, mask))
        interpolate_bad_pixels(values, mask)
        search.look(values[start - top : stop - top], mask[start - top : stop - top])
        yield
