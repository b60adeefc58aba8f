"""From the counts of a raw frame to electrons that fell through the optics, with their variance."""

from dataclasses import dataclass

import numpy as np

from platelib.kernels import kernel

BAD, SATURATED = 1, 2


@dataclass(frozen=True)
class Correction:
    """What is taken from the raw frames of one setting, and divided out.

    Attributes
    ----------
    offset : numpy.ndarray
        ``(ny, nx)`` float32, ADU, subtracted: bias and dark, whichever there are.
    zero : numpy.ndarray
        ``(ny, nx)`` float32, ADU: the level of no electrons, from which photon noise counts.
    response : numpy.ndarray
        ``(ny, nx)`` float32, flat field around 1; NaN where it is unusable.
    variance : numpy.ndarray
        ``(ny, nx)`` float32, ADU^2: variance of ``offset``.
    bad : numpy.ndarray
        ``(ny, nx)`` uint8, non-zero where the pixel is not to be used.
    """

    offset: np.ndarray
    zero: np.ndarray
    response: np.ndarray
    variance: np.ndarray
    bad: np.ndarray

    def rows(self, start: int, stop: int) -> "Correction":
        """Return the part of rows ``start`` to ``stop``, without copying."""
        planes = (self.offset, self.zero, self.response, self.variance, self.bad)
        return Correction(*(plane[start:stop] for plane in planes))


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


def no_correction(shape: tuple[int, int]) -> Correction:
    """Return the correction that changes nothing."""
    zero = np.zeros(shape, dtype=np.float32)
    return Correction(
        zero, zero, np.ones(shape, dtype=np.float32), zero, np.zeros(shape, dtype=np.uint8)
    )


def calibrate(
    raw: np.ndarray, correction: Correction, detector: Detector, sky_variance: float = 0.0
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Calibrate a raw frame or a band of its rows.

    Parameters
    ----------
    raw : numpy.ndarray
        ``(ny, nx)`` float32, ADU.
    correction : Correction
        Planes of the same shape.
    detector : Detector
        Gain, read noise, saturation.
    sky_variance : float
        Variance of every pixel where the gain is unknown.

    Returns
    -------
    electrons : numpy.ndarray
        ``(ny, nx)`` float32: ``gain (raw - offset) / response``; NaN where there is no datum.
    variance : numpy.ndarray
        ``(ny, nx)`` float32, electron^2: read noise, photon noise of what is above ``zero`` and
        the noise of the offset, over ``response^2``; 0 in bad pixels, which are to be mended from
        their neighbours and bring no noise of their own.
    mask : numpy.ndarray
        ``(ny, nx)`` uint8: 1 bad, 2 saturated.

    Raises
    ------
    ValueError
        If the shapes differ.
    """
    if raw.shape != correction.offset.shape:
        msg = f"raw frame is {raw.shape}, its correction {correction.offset.shape}"
        raise ValueError(msg)
    electrons = np.empty(raw.shape, dtype=np.float32)
    variance = np.empty(raw.shape, dtype=np.float32)
    mask = np.empty(raw.shape, dtype=np.uint8)
    _calibrate(
        raw,
        correction.offset,
        correction.zero,
        correction.response,
        correction.variance,
        correction.bad,
        np.float32(detector.gain),
        np.float32(detector.read_noise**2),
        np.float32(detector.saturation),
        np.float32(sky_variance),
        electrons,
        variance,
        mask,
    )
    return electrons, variance, mask


@kernel
def _calibrate(
    raw,
    offset,
    zero,
    response,
    offset_variance,
    bad,
    gain,
    read_variance,
    saturation,
    sky_variance,
    electrons,
    variance,
    mask,
):
    nothing = np.float32(0.0)
    factor = gain if gain > nothing else np.float32(1.0)
    for y in range(raw.shape[0]):
        for x in range(raw.shape[1]):
            value = raw[y, x]
            flat = response[y, x]
            electrons[y, x] = (value - offset[y, x]) * factor / flat
            if gain > nothing:
                photons = max((value - zero[y, x]) * gain, nothing)
                noise = read_variance + photons + offset_variance[y, x] * gain * gain
                variance[y, x] = noise / (flat * flat)
            else:
                variance[y, x] = sky_variance
            usable = bad[y, x] == 0 and not np.isnan(electrons[y, x])
            flag = np.uint8(0)
            if not usable:
                flag = np.uint8(BAD)
                variance[y, x] = nothing
            if value >= saturation:
                flag |= np.uint8(SATURATED)
            mask[y, x] = flag


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
    _mend(image, mask)


@kernel
def _mend(image, mask):
    ny, nx = image.shape
    for y in range(ny):
        for x in range(nx):
            if not mask[y, x] & BAD:
                continue
            image[y, x] = 0.0
            for reach in (1, 2):
                total = 0.0
                count = 0
                for v in range(max(0, y - reach), min(ny, y + reach + 1)):
                    for u in range(max(0, x - reach), min(nx, x + reach + 1)):
                        if not mask[v, u] & BAD:
                            total += image[v, u]
                            count += 1
                if count:
                    image[y, x] = total / count
                    break


def warm_up() -> None:
    """Compile the kernels of this module."""
    raw = np.ones((4, 5), dtype=np.float32)
    electrons, _, mask = calibrate(raw, no_correction(raw.shape), Detector(1.0, 1.0, 10.0))
    mend(electrons, mask)
