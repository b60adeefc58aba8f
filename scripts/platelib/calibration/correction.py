"""From the counts of a raw frame to electrons that fell through the optics, with their variance.

What masters do to a pixel is a straight line in its count: ``(raw - bias - scale dark) / flat`` is
``offset + factor raw``. The two planes are worked out once for all subs that are at hand; they are
half of what the masters are, or less, and their bytes are in order.
"""

from dataclasses import dataclass, replace

import numpy as np

from platelib.numerics import aligned
from platelib.numerics.kernels import kernel, read_only

BAD, SATURATED = 1, 2


@dataclass(frozen=True)
class Correction:
    """What is taken from the raw frames of one setting, and divided out.

    Planes are ``(ny, nx)`` float32 in either byte order, so that they may be mapped files: nothing
    of them is copied.

    Attributes
    ----------
    bias, dark : numpy.ndarray or None
        ADU, subtracted.
    flat : numpy.ndarray or None
        Response around 1; NaN where it is unusable.
    dark_scale : float
        Factor of ``dark``.
    masks : tuple of numpy.ndarray
        At most two ``(ny, nx)`` uint8, non-zero where a pixel is not to be used.
    zero : float
        ADU: the level of no electrons, from which photon noise counts. The pattern of the bias,
        an ADU or so, does not matter beside the read noise.
    variance : float
        ADU^2: typical variance of what is subtracted.
    level : float
        ADU, subtracted where there is no bias: a pedestal that the camera's software added.
    """

    bias: np.ndarray | None = None
    dark: np.ndarray | None = None
    flat: np.ndarray | None = None
    dark_scale: float = 1.0
    masks: tuple[np.ndarray, ...] = ()
    zero: float = 0.0
    variance: float = 0.0
    level: float = 0.0

    def rows(self, start: int, stop: int) -> "Correction":
        """Return the part of rows ``start`` to ``stop``, without copying."""
        return replace(
            self,
            bias=None if self.bias is None else self.bias[start:stop],
            dark=None if self.dark is None else self.dark[start:stop],
            flat=None if self.flat is None else self.flat[start:stop],
            masks=tuple(mask[start:stop] for mask in self.masks),
        )

    @property
    def shapes(self) -> set[tuple[int, ...]]:
        """Shapes of the planes that there are."""
        planes = (self.bias, self.dark, self.flat, *self.masks)
        return {plane.shape for plane in planes if plane is not None}


@dataclass(frozen=True)
class Detector:
    """Electronics of the camera at one setting.

    Attributes
    ----------
    gain : float
        Electrons per ADU; 0 when it is unknown, or when the frames are calibrated already: then
        values keep their unit and their variance is ``sky_variance``, and what light adds to it.
    read_noise : float
        Electrons.
    saturation : float
        ADU at and above which a pixel is saturated; infinity if unknown.
    sky, light_variance : float
        Where the gain is unknown: the level of the sky, and the variance that a unit of light above
        it adds, in units of the calibrated values.
    """

    gain: float
    read_noise: float
    saturation: float
    sky: float = 0.0
    light_variance: float = 0.0


_NO_CORRECTION = Correction()
_UNKNOWN_DETECTOR = Detector(0.0, 0.0, np.inf)


@dataclass(frozen=True)
class CalibrationLines:
    """What a correction does to the pixels of a window of the frame.

    Attributes
    ----------
    offset, factor : numpy.ndarray
        ``(ny, nx)`` float32: from a raw count in ADU to one that fell through the optics; the
        factor is NaN where a pixel is not to be used.
    top, left : int
        Place of the window in the frame.
    zero, variance : float
        Those of the correction.
    """

    offset: np.ndarray
    factor: np.ndarray
    top: int = 0
    left: int = 0
    zero: float = 0.0
    variance: float = 0.0

    def holds(self, rows: tuple[int, int], columns: tuple[int, int]) -> bool:
        """Say whether some rows and columns of the frame, from and to, lie in the window."""
        ny, nx = self.offset.shape
        return (
            self.top <= rows[0]
            and rows[1] <= self.top + ny
            and self.left <= columns[0]
            and columns[1] <= self.left + nx
        )


def lines_of(
    correction: Correction,
    rows: tuple[int, int],
    columns: tuple[int, int],
    memory: np.ndarray | None = None,
) -> CalibrationLines:
    """Work out the lines that a correction amounts to.

    Parameters
    ----------
    correction : Correction
    rows, columns : tuple of int
        The window: first of the frame and the one after the last.
    memory : numpy.ndarray, optional
        Float32 with one dimension, to hold the two planes.

    Returns
    -------
    CalibrationLines

    Raises
    ------
    ValueError
        If the window is not in the planes.
    """
    shape = (rows[1] - rows[0], columns[1] - columns[0])
    size = shape[0] * shape[1]
    if memory is None:
        memory = np.empty(2 * size, dtype=np.float32)
    offset, factor = memory[:size].reshape(shape), memory[size : 2 * size].reshape(shape)
    if any(ny < rows[1] or nx < columns[1] for ny, nx in correction.shapes):
        msg = f"window of rows {rows} and columns {columns} in planes of {min(correction.shapes)}"
        raise ValueError(msg)
    part = correction.rows(*rows)
    (bias, bias_reversed), (dark, dark_reversed), (flat, flat_reversed) = (
        _words(plane) for plane in (part.bias, part.dark, part.flat)
    )
    mask_a, mask_b = (*part.masks, _NO_MASK, _NO_MASK)[:2]
    _fill(
        bias,
        bias_reversed,
        dark,
        dark_reversed,
        flat,
        flat_reversed,
        read_only(mask_a),
        read_only(mask_b),
        np.float32(correction.dark_scale),
        np.float32(correction.level),
        columns[0],
        np.zeros((3, shape[1]), dtype=np.uint32),
        offset,
        factor,
    )
    return CalibrationLines(
        offset, factor, rows[0], columns[0], correction.zero, correction.variance
    )


def along_lines(
    raw: np.ndarray,
    place: tuple[int, int],
    lines: CalibrationLines,
    detector: Detector,
    out: tuple[np.ndarray, np.ndarray],
) -> None:
    """Calibrate raw counts without their variance.

    Parameters
    ----------
    raw : numpy.ndarray
        Whole rows, float32, ADU; or ``>i2``, the words of unsigned 16-bit FITS data, to which 32768
        is to be added.
    place : tuple of int
        Row of the frame that is ``raw[0]``, and the column from which on pixels are wanted.
    lines : CalibrationLines
        Of all that is wanted.
    detector : Detector
    out : tuple of numpy.ndarray
        ``(ny, nx)`` float32 and uint8: values and mask as :func:`calibrate` gives them.
    """
    values, mask = out
    _run_along(raw, place, lines, detector, 0.0, values, values[:0], mask)


def along_lines_with_variance(
    raw: np.ndarray,
    place: tuple[int, int],
    lines: CalibrationLines,
    detector: Detector,
    sky_variance: float,
    out: tuple[np.ndarray, np.ndarray, np.ndarray],
) -> None:
    """Calibrate raw counts.

    Parameters
    ----------
    raw, place, lines, detector
        As in :func:`along_lines`.
    sky_variance : float
        Variance of every pixel where the gain is unknown.
    out : tuple of numpy.ndarray
        ``(ny, nx)`` float32 twice and uint8: what :func:`calibrate` returns.
    """
    _run_along(raw, place, lines, detector, sky_variance, *out)


def calibrate(
    raw: np.ndarray,
    correction: Correction = _NO_CORRECTION,
    detector: Detector = _UNKNOWN_DETECTOR,
    sky_variance: float = 0.0,
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Calibrate a raw frame or a band of its rows.

    Parameters
    ----------
    raw : numpy.ndarray
        ``(ny, nx)`` float32, ADU; or ``>i2``, the words of unsigned 16-bit FITS data, to which
        32768 is to be added.
    correction : Correction
        Planes of the same shape.
    detector : Detector
        Gain, read noise, saturation.
    sky_variance : float
        Variance of every pixel where the gain is unknown.

    Returns
    -------
    electrons : numpy.ndarray
        ``(ny, nx)`` float32: ``gain (raw - bias - scale dark) / flat``; NaN where there is no
        datum or the pixel is not to be used.
    variance : numpy.ndarray
        ``(ny, nx)`` float32, electron^2: read noise, photon noise of what is above ``zero``
        and the noise of the masters, over ``flat^2``; where the gain is unknown ``sky_variance``
        and ``light_variance`` for each unit of light above the sky, over the flat. 0 in bad pixels,
        which are to be mended from their neighbours and bring no noise of their own.
    mask : numpy.ndarray
        ``(ny, nx)`` uint8: 1 bad, 2 saturated.

    Raises
    ------
    ValueError
        If the shapes differ.
    """
    if others := correction.shapes - {raw.shape}:
        msg = f"raw frame is {raw.shape}, its correction {min(others)}"
        raise ValueError(msg)
    values, variance = (np.empty(raw.shape, dtype=np.float32) for _ in range(2))
    mask = np.empty(raw.shape, dtype=np.uint8)
    lines = lines_of(correction, (0, raw.shape[0]), (0, raw.shape[1]))
    _run_along(raw, (0, 0), lines, detector, sky_variance, values, variance, mask)
    return values, variance, mask


_FITS_WORDS = np.dtype(">i2")
_NO_PLANE = np.zeros((0, 0), dtype=np.uint32)
_NO_MASK = np.zeros((0, 0), dtype=np.uint8)


def _run_along(
    raw: np.ndarray,
    place: tuple[int, int],
    lines: CalibrationLines,
    detector: Detector,
    sky_variance: float,
    values: np.ndarray,
    variance: np.ndarray,
    mask: np.ndarray,
) -> None:
    ny, nx = values.shape
    top, left = place
    if raw.shape[0] != ny or not lines.holds((top, top + ny), (left, left + nx)):
        msg = f"{raw.shape[0]} raw rows and lines of {lines.offset.shape} for {values.shape}"
        raise ValueError(msg)
    is_words = raw.dtype == _FITS_WORDS
    run = _words_along if is_words else _values_along
    run(
        read_only(raw.view(np.uint16) if is_words else raw),
        left,
        lines.offset,
        lines.factor,
        top - lines.top,
        left - lines.left,
        np.float32(lines.zero),
        np.float32(lines.variance * detector.gain**2 + detector.read_noise**2),
        np.float32(max(detector.gain, 0.0)),
        np.float32(detector.saturation),
        np.float32(sky_variance),
        np.float32(detector.sky),
        np.float32(detector.light_variance),
        aligned.empty((nx,), np.float32),
        values,
        variance,
        mask,
    )


def _words(plane: np.ndarray | None) -> tuple[np.ndarray, bool]:
    """Return a float32 plane as the words in memory, and whether their bytes are reversed."""
    if plane is None:
        return read_only(_NO_PLANE), False
    array = np.asarray(plane)
    if array.dtype.kind != "f" or array.dtype.itemsize != 4:
        array = array.astype(np.float32)
    return read_only(array.view(np.uint32)), not array.dtype.isnative


@kernel
def _load(words, reversed_bytes, row, left, out):
    """Copy part of a row of words, the bytes put in order; nothing if there is no such plane."""
    if words.shape[0] == 0:
        return
    line = words[row, left : left + out.size]
    if reversed_bytes:
        for x in range(out.size):
            v = line[x]
            out[x] = (
                (v >> np.uint32(24))
                | ((v >> np.uint32(8)) & np.uint32(0xFF00))
                | ((v << np.uint32(8)) & np.uint32(0xFF0000))
                | (v << np.uint32(24))
            )
    else:
        for x in range(out.size):
            out[x] = line[x]


@kernel
def _fill(
    bias, bias_reversed, dark, dark_reversed, flat, flat_reversed, mask_a, mask_b, dark_scale,
    level, left, rows, offset, factor,
):  # fmt: skip
    """Turn what is subtracted and the flat into lines; ``rows`` are zeros to work with."""
    ny, nx = offset.shape
    planes = rows.view(np.float32)
    planes[0] = level
    planes[2] = 1.0
    subtracted, darkness, response = planes[0], planes[1], planes[2]
    for y in range(ny):
        _load(bias, bias_reversed, y, left, rows[0])
        _load(dark, dark_reversed, y, left, rows[1])
        _load(flat, flat_reversed, y, left, rows[2])
        zero, slope = offset[y], factor[y]
        for x in range(nx):
            inverse = np.float32(1.0) / response[x]
            slope[x] = inverse
            zero[x] = -(subtracted[x] + dark_scale * darkness[x]) * inverse
        if mask_a.shape[0]:
            _leave_out(slope, mask_a[y, left : left + nx])
        if mask_b.shape[0]:
            _leave_out(slope, mask_b[y, left : left + nx])


@kernel
def _leave_out(row, mask):
    for x in range(row.size):
        row[x] = np.float32(np.nan) if mask[x] else row[x]


@kernel
def _words_along(
    words, left, offset, factor, top, first, zero, fixed_variance, gain, saturation, sky_variance,
    sky, light_variance, counts, values, variance, mask,
):  # fmt: skip
    ny, nx = values.shape
    for y in range(ny):
        line = words[y, left : left + nx]
        for x in range(nx):
            v = line[x]
            swapped = (v >> np.uint16(8)) | (v << np.uint16(8))
            counts[x] = np.float32(np.uint16(swapped ^ np.uint16(0x8000)))
        zeros, slopes = offset[top + y, first : first + nx], factor[top + y, first : first + nx]
        _row_along(counts, zeros, slopes, gain, saturation, values[y], mask[y])
        if variance.shape[0] and gain > np.float32(0.0):
            _noise_along(counts, slopes, zero, fixed_variance, gain, mask[y], variance[y])
        elif variance.shape[0]:
            _noise_above_sky(
                values[y], slopes, sky, sky_variance, light_variance, mask[y], variance[y]
            )


@kernel
def _values_along(
    raw, left, offset, factor, top, first, zero, fixed_variance, gain, saturation, sky_variance,
    sky, light_variance, room, values, variance, mask,
):  # fmt: skip
    """Do `_words_along` with values, which need no ``room``."""
    ny, nx = values.shape
    for y in range(ny):
        counts = raw[y, left : left + nx]
        zeros, slopes = offset[top + y, first : first + nx], factor[top + y, first : first + nx]
        _row_along(counts, zeros, slopes, gain, saturation, values[y], mask[y])
        if variance.shape[0] and gain > np.float32(0.0):
            _noise_along(counts, slopes, zero, fixed_variance, gain, mask[y], variance[y])
        elif variance.shape[0]:
            _noise_above_sky(
                values[y], slopes, sky, sky_variance, light_variance, mask[y], variance[y]
            )


@kernel
def _row_along(counts, offset, factor, gain, saturation, values, mask):
    unit = gain if gain > np.float32(0.0) else np.float32(1.0)
    for x in range(counts.size):
        value = (offset[x] + factor[x] * counts[x]) * unit
        values[x] = value
        flag = np.uint8(0) if value == value else np.uint8(BAD)
        mask[x] = flag | (np.uint8(SATURATED) if counts[x] >= saturation else np.uint8(0))


@kernel
def _noise_along(counts, factor, zero, fixed, gain, mask, variance):
    nothing = np.float32(0.0)
    for x in range(counts.size):
        photons = (counts[x] - zero) * gain
        photons = photons if photons > nothing else nothing
        spread = (fixed + photons) * (factor[x] * factor[x])
        variance[x] = nothing if mask[x] & np.uint8(BAD) else spread


@kernel
def _noise_above_sky(values, factor, sky, sky_variance, light_variance, mask, variance):
    nothing = np.float32(0.0)
    for x in range(values.size):
        light = values[x] - sky
        light = light if light > nothing else nothing
        spread = sky_variance + light * light_variance * factor[x]
        variance[x] = nothing if mask[x] & np.uint8(BAD) else spread


def warm_up() -> None:
    """Compile the kernels of this module."""
    raw = np.ones((4, 5), dtype=np.float32)
    calibrate(raw, Correction(raw, raw, raw, masks=(_NO_MASK,)[:0]))
    calibrate(np.ones((4, 5), dtype=_FITS_WORDS))
