"""Calibrate the counts of a raw frame to electrons, with their variance."""

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from platelib.calibration.correction import CalibrationLines, Correction, lines_of
from platelib.numerics import aligned
from platelib.numerics.fits_words import FITS_WORDS, count_of
from platelib.numerics.kernels import kernel, read_only
from platelib.numerics.mask_bits import BAD, SATURATED


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
    _run_along(raw, place, lines, detector, 0.0, (values, values[:0], mask))


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
    _run_along(raw, place, lines, detector, sky_variance, out)


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
        which are to be interpolated from their neighbours and bring no noise of their own.
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
    out = values, variance, mask
    _run_along(raw, (0, 0), lines, detector, sky_variance, out)
    return out


class _Response(NamedTuple):
    """A detector as kernels take it, all float32.

    ``zero`` is the count of no electrons, ``fixed_variance`` what does not depend on the light,
    electron^2; for the others see `Detector`.
    """

    zero: np.float32
    fixed_variance: np.float32
    gain: np.float32
    saturation: np.float32
    sky_variance: np.float32
    sky: np.float32
    light_variance: np.float32


def _run_along(
    raw: np.ndarray,
    place: tuple[int, int],
    lines: CalibrationLines,
    detector: Detector,
    sky_variance: float,
    out: tuple[np.ndarray, np.ndarray, np.ndarray],
) -> None:
    """Fill values, variance and mask; no variance where its plane has no rows."""
    ny, nx = out[0].shape
    top, left = place
    if raw.shape[0] != ny or not lines.holds((top, top + ny), (left, left + nx)):
        msg = f"{raw.shape[0]} raw rows and lines of {lines.offset.shape} for {out[0].shape}"
        raise ValueError(msg)
    response = _Response(
        np.float32(lines.zero),
        np.float32(lines.variance * detector.gain**2 + detector.read_noise**2),
        np.float32(max(detector.gain, 0.0)),
        np.float32(detector.saturation),
        np.float32(sky_variance),
        np.float32(detector.sky),
        np.float32(detector.light_variance),
    )
    planes, window = (lines.offset, lines.factor), (top - lines.top, left - lines.left)
    if raw.dtype == FITS_WORDS:
        counts = aligned.empty((nx,), np.float32)
        words = read_only(raw.view(np.uint16))
        _words_along(words, left, planes, window, response, counts, out)
    else:
        _values_along(read_only(raw), left, planes, window, response, out)


@kernel
def _words_along(words, left, lines, window, response, counts, out):
    """Calibrate rows of words; ``counts`` is memory for one of them."""
    for y in range(words.shape[0]):
        line = words[y, left : left + counts.size]
        for x in range(counts.size):
            counts[x] = np.float32(count_of(line[x]))
        _calibrate_row(y, counts, lines, window, response, out)


@kernel
def _values_along(raw, left, lines, window, response, out):
    """Calibrate rows of values."""
    nx = out[0].shape[1]
    for y in range(raw.shape[0]):
        _calibrate_row(y, raw[y, left : left + nx], lines, window, response, out)


@kernel
def _calibrate_row(y, counts, lines, window, response, out):
    """Fill row ``y`` of the result, whose first pixel lies at ``window`` in the lines."""
    values, variance, mask = out
    row, columns = window[0] + y, slice(window[1], window[1] + counts.size)
    offset, factor = lines[0][row, columns], lines[1][row, columns]
    _run_along_row(counts, offset, factor, response, values[y], mask[y])
    if variance.shape[0] and response.gain > np.float32(0.0):
        _noise_of_counts(counts, factor, response, mask[y], variance[y])
    elif variance.shape[0]:
        _noise_above_sky(values[y], factor, response, mask[y], variance[y])


@kernel
def _run_along_row(counts, offset, factor, response, values, mask):
    unit = response.gain if response.gain > np.float32(0.0) else np.float32(1.0)
    saturation = response.saturation
    for x in range(counts.size):
        value = (offset[x] + factor[x] * counts[x]) * unit
        values[x] = value
        flag = np.uint8(0) if value == value else np.uint8(BAD)
        mask[x] = flag | (np.uint8(SATURATED) if counts[x] >= saturation else np.uint8(0))


@kernel
def _noise_of_counts(counts, factor, response, mask, variance):
    nothing = np.float32(0.0)
    zero, gain, fixed = response.zero, response.gain, response.fixed_variance
    for x in range(counts.size):
        photons = (counts[x] - zero) * gain
        photons = photons if photons > nothing else nothing
        spread = (fixed + photons) * (factor[x] * factor[x])
        variance[x] = nothing if mask[x] & np.uint8(BAD) else spread


@kernel
def _noise_above_sky(values, factor, response, mask, variance):
    nothing = np.float32(0.0)
    sky, sky_variance, of_light = response.sky, response.sky_variance, response.light_variance
    for x in range(values.size):
        light = values[x] - sky
        light = light if light > nothing else nothing
        spread = sky_variance + light * of_light * factor[x]
        variance[x] = nothing if mask[x] & np.uint8(BAD) else spread


def warm_up() -> None:
    """Compile the kernels of this module."""
    raw = np.ones((4, 5), dtype=np.float32)
    calibrate(raw)
    calibrate(raw.astype(FITS_WORDS))
