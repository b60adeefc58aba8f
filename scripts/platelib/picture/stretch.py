"""The asinh stretch, which brightens faint light and compresses bright light smoothly.

Intensity, the mean of the planes, is stretched; each plane is then multiplied by the same
factor, so that colours do not fade where light is bright. As in the paper, the stretched values
are those sent to the display: they are sRGB display values, not linear light.

What would exceed white is cut at its own hue, as in the paper, or rolled off by a `Shoulder`, so
that the cores of stars keep their shape up to the brightest pixel of all.

References
----------
Lupton, Blanton, Fekete, Hogg, O'Mullane, Szalay, Wherry (2004), PASP 116, 133, section 2.
Reinhard, Stark, Shirley, Ferwerda (2002), ACM Transactions on Graphics 21, 267, equation 4.
"""

from dataclasses import dataclass

import numpy as np

from platelib.colour.luminance import MAX_LIFT

SLOPE_AT = 0.1
_ROUNDS = 200


@dataclass(frozen=True)
class Look:
    """Settings of a picture.

    Attributes
    ----------
    sky_level : float
        Display value of the sky, above 0 and below 1.
    black_sigma : float
        How far black lies below the sky, in standard deviations of the sky.
    white_clip_fraction : float
        Share of the pixels whose intensity lies above white on the curve.
    saturation : float
        Factor of the chroma; 1 leaves colours as the light gives them.
    colour_smoothing_px : float
        Radius over which the colours of faint light are averaged, in pixels.
    shoulder : float
        Display value from which highlights are rolled off; 1 cuts them at white.
    max_chroma_gain : float
        Where luminance brightens a pixel, its chroma grows by no more than this factor.
    """

    sky_level: float
    black_sigma: float
    white_clip_fraction: float
    saturation: float = 1.0
    colour_smoothing_px: float = 0.0
    shoulder: float = 1.0
    max_chroma_gain: float = MAX_LIFT


@dataclass(frozen=True)
class AsinhCurve:
    """The curve ``F(x) = asinh(Q x / stretch) * 0.1 / asinh(0.1 Q)``, ``x = I - minimum``.

    Attributes
    ----------
    minimum : float
        Intensity that becomes black.
    stretch : float
        Range over which the curve is about linear, in the unit of the intensity.
    softening : float
        Q of the paper.
    """

    minimum: float
    stretch: float
    softening: float

    def __call__(self, above_black: np.ndarray) -> np.ndarray:
        """Return display values of intensities above black; 0 at and below black."""
        slope = SLOPE_AT / np.arcsinh(SLOPE_AT * self.softening)
        scaled = np.maximum(above_black, 0.0) * (self.softening / self.stretch)
        return slope * np.arcsinh(scaled)


@dataclass(frozen=True)
class Shoulder:
    """The curve ``s + (1 - s) g((d - s) / (1 - s))`` for display values ``d`` above ``s``.

    ``g(x) = x (1 + x / X^2) / (1 + x)`` is equation 4 of Reinhard et al. (2002): it leaves zero
    with slope 1, never falls, and reaches 1 at ``X``, which is where the brightest pixel lies.

    Attributes
    ----------
    start : float
        Display value up to which nothing is altered, from 0 to 1.
    top : float
        Display value of the brightest pixel, which becomes 1. Where it is below 1 already, or
        ``start`` is 1, values up to 1 are left alone.
    """

    start: float
    top: float

    @property
    def is_cut(self) -> bool:
        """Whether values are cut at 1 instead of rolled off."""
        return self.start >= 1 or self.top <= 1

    def __call__(self, display: np.ndarray) -> np.ndarray:
        """Return display values of at most 1."""
        room = 1.0 - self.start
        if self.is_cut:
            return np.minimum(display, 1.0)
        above = np.maximum(display - self.start, 0.0) / room
        reach = (self.top - self.start) / room
        rolled = self.start + room * above * (1 + above / reach**2) / (1 + above)
        return np.where(display > self.start, np.minimum(rolled, 1.0), display)


CUT = Shoulder(1.0, 1.0)
"""No roll-off: as in the paper."""


def fit_curve(
    sky: float, sigma: float, white: float, *, sky_level: float, black_sigma: float
) -> AsinhCurve:
    """Find the stretch for the given levels of black, sky and white.

    Black is ``black_sigma`` times ``sigma`` below the sky. Two conditions are left, for the two
    constants: the sky becomes ``sky_level`` and ``white`` becomes 1.

    Parameters
    ----------
    sky, sigma : float
        Level and standard deviation of the sky's intensity.
    white : float
        Intensity that becomes white.
    sky_level : float
        Display value of the sky, above 0 and below 1.
    black_sigma : float
        How far black lies below the sky, in sigma.

    Returns
    -------
    AsinhCurve

    Raises
    ------
    ValueError
        If the sky has no noise, or a setting is out of range.

    Notes
    -----
    Where white is so close to the sky that even a straight line would lift the sky above
    ``sky_level``, white is moved up to where the line meets it: nothing is burnt.
    """
    if not 0 < sky_level < 1 or not black_sigma > 0:
        msg = f"sky_level {sky_level} must lie between 0 and 1, black_sigma {black_sigma} above 0"
        raise ValueError(msg)
    if not sigma > 0:
        msg = "the sky has no noise to measure: the picture is empty"
        raise ValueError(msg)
    step = black_sigma * sigma
    top = max((white - sky + step) / step, 1.05 / sky_level)
    knee = _solve_knee(top, 1 / sky_level)
    softening = np.sinh(SLOPE_AT * np.arcsinh(top / knee)) / SLOPE_AT
    return AsinhCurve(float(sky - step), float(softening * knee * step), float(softening))


def _solve_knee(top: float, ratio: float) -> float:
    """Solve asinh(top / knee) = ratio * asinh(1 / knee) by halving in the logarithm."""
    low, high = np.log(1e-12), np.log(1e6 * top)
    for _ in range(_ROUNDS):
        middle = (low + high) / 2
        knee = np.exp(middle)
        if np.arcsinh(top / knee) < ratio * np.arcsinh(1 / knee):
            low = middle
        else:
            high = middle
    return float(np.exp((low + high) / 2))


def stretch_planes(planes: np.ndarray, curve: AsinhCurve, shoulder: Shoulder = CUT) -> np.ndarray:
    """Stretch a colour picture, keeping the ratios between its planes.

    Parameters
    ----------
    planes : numpy.ndarray
        ``(n, ...)`` linear light.
    curve : AsinhCurve
        Its ``minimum`` is subtracted from every plane.
    shoulder : Shoulder
        What becomes of values near and above 1.

    Returns
    -------
    numpy.ndarray
        ``(n, ...)`` float64 display values from 0 to 1. A pixel that would exceed 1 in one
        plane is scaled down in all of them, so that its hue is kept. NaN stays NaN.
    """
    display = _unlimited(planes, curve)
    peak = display.max(axis=0)
    bright = peak > 0
    return display / np.where(bright, peak / shoulder(np.where(bright, peak, 1.0)), 1.0)


def brightest(planes: np.ndarray, curve: AsinhCurve) -> float:
    """Return the highest display value that the curve alone would give; 0 without data.

    Parameters
    ----------
    planes : numpy.ndarray
        ``(n, ...)`` linear light.
    curve : AsinhCurve
    """
    peak = _unlimited(planes, curve).max(axis=0)
    return float(np.max(peak, where=np.isfinite(peak), initial=0.0))


def _unlimited(planes: np.ndarray, curve: AsinhCurve) -> np.ndarray:
    light = np.asarray(planes, dtype=np.float64) - curve.minimum
    intensity = _mean(light)
    bright = intensity > 0
    factor = curve(intensity) / np.where(bright, intensity, 1.0)
    return np.maximum(light * factor, 0.0)


def _mean(planes: np.ndarray) -> np.ndarray:
    total = planes[0].copy()
    for plane in planes[1:]:
        total += plane
    return total / len(planes)
