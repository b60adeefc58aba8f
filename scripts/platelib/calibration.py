"""From the counts of a raw frame to electrons that fell through the optics, with their variance."""

from dataclasses import dataclass, replace

import numpy as np

from platelib.kernels import kernel

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
        values keep their unit and their variance is ``sky_variance`` everywhere.
    read_noise : float
        Electrons.
    saturation : float
        ADU at and above which a pixel is saturated; infinity if unknown.
    """

    gain: float
    read_noise: float
    saturation: float


_NO_CORRECTION = Correction()


def calibrate(
    raw: np.ndarray,
    correction: Correction = _NO_CORRECTION,
    detector: Detector = Detector(0.0, 0.0, np.inf),  # noqa: B008 - frozen
    sky_variance: float = 0.0,
    columns: tuple[int, int] | None = None,
    out: tuple[np.ndarray, np.ndarray, np.ndarray] | None = None,
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Calibrate a raw frame, a band of its rows, or some columns of a band.

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
    columns : tuple of int, optional
        First column and the one after the last; all of them if it is left away.
    out : tuple of numpy.ndarray, optional
        Where the result goes, of the shapes and types below.

    Returns
    -------
    electrons : numpy.ndarray
        ``(ny, columns)`` float32: ``gain (raw - bias - scale dark) / flat``; NaN where there is no
        datum.
    variance : numpy.ndarray
        ``(ny, columns)`` float32, electron^2: read noise, photon noise of what is above ``zero``
        and the noise of the masters, over ``flat^2``; 0 in bad pixels, which are to be mended from
        their neighbours and bring no noise of their own.
    mask : numpy.ndarray
        ``(ny, columns)`` uint8: 1 bad, 2 saturated.

    Raises
    ------
    ValueError
        If the shapes differ.
    """
    if correction.shapes - {raw.shape}:
        msg = f"raw frame is {raw.shape}, its correction {min(correction.shapes - {raw.shape})}"
        raise ValueError(msg)
    left, right = columns if columns is not None else (0, raw.shape[1])
    if out is None:
        shape = (raw.shape[0], right - left)
        out = (
            np.empty(shape, dtype=np.float32),
            np.empty(shape, dtype=np.float32),
            np.empty(shape, dtype=np.uint8),
        )
    words = [_words(plane) for plane in (correction.bias, correction.dark, correction.flat)]
    masks = (*correction.masks, _NO_MASK, _NO_MASK)
    run = _calibrate_words if raw.dtype == _FITS_WORDS else _calibrate_values
    run(
        raw.view(np.uint16) if raw.dtype == _FITS_WORDS else raw,
        words[0][0],
        words[0][1],
        words[1][0],
        words[1][1],
        words[2][0],
        words[2][1],
        masks[0],
        masks[1],
        np.float32(correction.dark_scale),
        np.float32(correction.zero),
        np.float32(correction.level),
        np.float32(correction.variance * detector.gain**2 + detector.read_noise**2),
        np.float32(detector.gain),
        np.float32(detector.saturation),
        np.float32(sky_variance),
        left,
        *out,
    )
    return out


_FITS_WORDS = np.dtype(">i2")
_NO_PLANE = np.zeros((0, 0), dtype=np.uint32)
_NO_MASK = np.zeros((0, 0), dtype=np.uint8)


def _words(plane: np.ndarray | None) -> tuple[np.ndarray, bool]:
    """Return a float32 plane as the words in memory, and whether their bytes are reversed."""
    if plane is None:
        return _NO_PLANE, False
    array = np.asarray(plane)
    if array.dtype.kind != "f" or array.dtype.itemsize != 4:
        array = array.astype(np.float32)
    return array.view(np.uint32), not array.dtype.isnative


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
def _calibrate_row(
    counts, bias, dark, flat, mask_a, mask_b, y, left, dark_scale, zero, fixed_variance, gain,
    saturation, sky_variance, electrons, variance, mask,
):  # fmt: skip
    nothing = np.float32(0.0)
    factor = gain if gain > nothing else np.float32(1.0)
    n = counts.size
    for x in range(n):
        inverse = np.float32(1.0) / flat[x]
        value = counts[x]
        result = (value - bias[x] - dark_scale * dark[x]) * factor * inverse
        electrons[x] = result
        photons = max((value - zero) * gain, nothing)
        spread = (fixed_variance + photons) * (inverse * inverse)
        variance[x] = spread if gain > nothing else sky_variance
        flag = np.uint8(0) if result == result else np.uint8(BAD)
        mask[x] = flag | (np.uint8(SATURATED) if value >= saturation else np.uint8(0))
    if mask_a.shape[0]:
        line = mask_a[y, left : left + n]
        for x in range(n):
            mask[x] |= np.uint8(BAD) if line[x] else np.uint8(0)
    if mask_b.shape[0]:
        line = mask_b[y, left : left + n]
        for x in range(n):
            mask[x] |= np.uint8(BAD) if line[x] else np.uint8(0)
    for x in range(n):
        variance[x] = nothing if mask[x] & np.uint8(BAD) else variance[x]


@kernel
def _calibrate_words(
    raw, bias, bias_reversed, dark, dark_reversed, flat, flat_reversed, mask_a, mask_b, dark_scale,
    zero, level, fixed_variance, gain, saturation, sky_variance, left, electrons, variance, mask,
):  # fmt: skip
    ny, nx = electrons.shape
    counts = np.empty(nx, dtype=np.float32)
    rows = np.zeros((3, nx), dtype=np.uint32)
    planes = rows.view(np.float32)
    planes[0] = level
    planes[2] = 1.0
    for y in range(ny):
        line = raw[y, left : left + nx]
        for x in range(nx):
            v = line[x]
            swapped = (v >> np.uint16(8)) | (v << np.uint16(8))
            counts[x] = np.float32(np.uint16(swapped ^ np.uint16(0x8000)))
        _load(bias, bias_reversed, y, left, rows[0])
        _load(dark, dark_reversed, y, left, rows[1])
        _load(flat, flat_reversed, y, left, rows[2])
        _calibrate_row(
            counts, planes[0], planes[1], planes[2], mask_a, mask_b, y, left,
            dark_scale, zero, fixed_variance, gain, saturation, sky_variance, electrons[y],
            variance[y], mask[y],
        )  # fmt: skip


@kernel
def _calibrate_values(
    raw, bias, bias_reversed, dark, dark_reversed, flat, flat_reversed, mask_a, mask_b, dark_scale,
    zero, level, fixed_variance, gain, saturation, sky_variance, left, electrons, variance, mask,
):  # fmt: skip
    ny, nx = electrons.shape
    rows = np.zeros((3, nx), dtype=np.uint32)
    planes = rows.view(np.float32)
    planes[0] = level
    planes[2] = 1.0
    for y in range(ny):
        _load(bias, bias_reversed, y, left, rows[0])
        _load(dark, dark_reversed, y, left, rows[1])
        _load(flat, flat_reversed, y, left, rows[2])
        _calibrate_row(
            raw[y, left : left + nx], planes[0], planes[1], planes[2], mask_a, mask_b, y, left,
            dark_scale, zero, fixed_variance, gain, saturation, sky_variance, electrons[y],
            variance[y], mask[y],
        )  # fmt: skip


def mend(image: np.ndarray, mask: np.ndarray) -> None:
    """Fill bad pixels, in place, with the mean of their good neighbours.

    Resampling must not spread a bad value; the pixel itself stays masked. Bad pixels without any
    good neighbour within two pixels get the value 0.

    Parameters
    ----------
    image : numpy.ndarray
        ``(ny, nx)`` float32.
    mask : numpy.ndarray
        ``(ny, nx)`` uint8; pixels with bit 1 are filled.
    """
    mask = np.ascontiguousarray(mask)
    whole = mask.size // 8 * 8
    _mend(image, mask, mask.reshape(-1)[:whole].view(np.uint64))


@kernel
def _mend(image, mask, words):
    """Look at eight flags as one word: nearly all of them are zero."""
    ny, nx = mask.shape
    place = 0
    for block in range(0, words.size, 8):
        seen = np.uint64(0)
        for word in words[block : block + 8]:
            seen |= word
        place = 8 * min(block + 8, words.size)
        if seen:
            _mend_some(image, mask, 8 * block, place)
    _mend_some(image, mask, place, ny * nx)


@kernel
def _mend_some(image, mask, start, stop):
    """Fill bad pixels, numbered row by row."""
    nx = mask.shape[1]
    for place in range(start, stop):
        y, x = place // nx, place % nx
        if mask[y, x] & BAD:
            image[y, x] = _mean_of_good(image, mask, y, x)


@kernel
def _mean_of_good(image, mask, y, x):
    ny, nx = image.shape
    for reach in (1, 2):
        total = 0.0
        count = 0
        for v in range(max(0, y - reach), min(ny, y + reach + 1)):
            for u in range(max(0, x - reach), min(nx, x + reach + 1)):
                if not mask[v, u] & BAD:
                    total += image[v, u]
                    count += 1
        if count:
            return np.float32(total / count)
    return np.float32(0.0)


def warm_up() -> None:
    """Compile the kernels of this module."""
    raw = np.ones((4, 5), dtype=np.float32)
    electrons, _, mask = calibrate(raw, Correction(raw, raw, raw, masks=(_NO_MASK,)[:0]))
    calibrate(np.ones((4, 5), dtype=_FITS_WORDS))
    mend(electrons, mask)
