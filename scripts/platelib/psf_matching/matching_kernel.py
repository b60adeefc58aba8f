"""The kernel that matches the PSF of one channel to that of another.

It is a sum of Gaussians times polynomials, fitted to pairs of stamps (Alard & Lupton 1998, ApJ
503, 325), and the same all over the field. Its sum is one: light is moved and not made.
"""

from dataclasses import dataclass

import numpy as np
from scipy.ndimage import convolve

from platelib.numerics.constants import FWHM_PER_SIGMA
from platelib.numerics.transform import least_squares, polynomial
from platelib.psf_matching.stamps import stamp_width

_LEAST_SIGMA_PX = 0.7
_LARGEST_RADIUS = 12
_ROUNDS = 4
_DIGITS = 7
_BRIGHTEST_RELATIVE_ERROR = 0.003
FEWEST_STARS = 8


@dataclass(frozen=True)
class MatchingKernel:
    """A kernel, and how well it does.

    Attributes
    ----------
    taps : numpy.ndarray
        ``(2 r + 1, 2 r + 1)`` float64, see `platelib.psf_matching.convolution.convolved`.
    stars : int
        Stars that it was fitted to.
    before_px, wanted_px, after_px : float
        Median FWHM of these stars in the sharper channel, in the softer one, and in the sharper
        one when it has been convolved.
    residual : float
        Median over the stars of what is left: the rms of the difference within the wanted FWHM
        of the centre, as a share of the peak. The noise of the stamps is in it.
    """

    taps: np.ndarray
    stars: int
    before_px: float
    wanted_px: float
    after_px: float
    residual: float

    @property
    def helps(self) -> bool:
        """Whether it brings the FWHM of stars closer to the target."""
        return abs(self.after_px - self.wanted_px) < abs(self.before_px - self.wanted_px)


def half_sizes(before_px: float, wanted_px: float) -> tuple[int, int]:
    """Half sides of the kernel and of the stamps that it takes to fit it, pixels."""
    radius = int(min(_LARGEST_RADIUS, np.ceil(3 * 2 * _first_sigma(before_px, wanted_px)) + 1))
    return radius, radius + max(8, int(np.ceil(2 * wanted_px)))


def _first_sigma(before_px: float, wanted_px: float) -> float:
    missing = np.sqrt(max(wanted_px**2 - before_px**2, 0.0)) / FWHM_PER_SIGMA
    return max(_LEAST_SIGMA_PX, float(missing))


def fit_kernel(
    sharp: np.ndarray,
    soft: np.ndarray,
    relative_errors: np.ndarray,
    widths: tuple[float, float],
) -> MatchingKernel:
    """Fit a kernel to stamps of the same stars.

    Parameters
    ----------
    sharp, soft : numpy.ndarray
        ``(n, side, side)`` float64 in the two channels, local sky subtracted, at least 8 stars,
        of the side that `half_sizes` gives.
    relative_errors : numpy.ndarray
        ``(n,)``: errors of the stars' fluxes as a share of these. They make faint stars count
        less; below 0.003 all count alike.
    widths : tuple of float
        Rough FWHM in both channels.

    Raises
    ------
    ValueError
        With fewer than 8 stars.
    """
    if len(sharp) < FEWEST_STARS:
        msg = f"{len(sharp)} stars are too few for a kernel, {FEWEST_STARS} are needed"
        raise ValueError(msg)
    radius, half = half_sizes(*widths)
    middle = sharp.shape[1] // 2
    inner = slice(middle - half + radius, middle + half - radius + 1)
    basis = _basis(radius, _first_sigma(*widths))
    light = sharp.sum(axis=(1, 2))
    images = [convolve(sharp, shape[None], mode="constant")[:, inner, inner] for shape in basis]
    terms = np.stack([(image / light[:, None, None]).ravel() for image in images])
    target = soft[:, inner, inner]
    weight = 1 / (relative_errors**2 + _BRIGHTEST_RELATIVE_ERROR**2)
    weights = np.repeat(weight, target[0].size)
    scales = soft.sum(axis=(1, 2))
    for _ in range(_ROUNDS):
        scaled = (target / scales[:, None, None]).ravel() - terms[0]
        factors = least_squares(terms[1:], scaled[None], weights)[0]
        model = terms[0] + polynomial(terms[1:], factors[None])[0]
        model = model.reshape(target.shape)
        scales = (model * target).sum(axis=(1, 2)) / (model * model).sum(axis=(1, 2))
    taps = np.round(basis[0] + polynomial(basis[1:], factors[None])[0], _DIGITS)
    difference = target / scales[:, None, None] - model
    softened = convolve(sharp, taps[None], mode="constant")
    return MatchingKernel(
        taps,
        len(sharp),
        stamp_width(sharp),
        stamp_width(soft),
        stamp_width(softened),
        _residual(difference, model, widths[1]),
    )


def _basis(radius: int, sigma: float) -> np.ndarray:
    """Shapes of a kernel, ``(k, side, side)``: the first of sum one, the others of sum zero."""
    step = np.arange(-radius, radius + 1, dtype=np.float64)
    point = np.zeros((len(step), len(step)))
    point[radius, radius] = 1.0
    first = _gaussian(step, sigma)
    shapes = [first, point - first]
    for width, degree in ((sigma, 2), (2 * sigma, 2)):
        gaussian = _gaussian(step, width)
        u = step / width
        for total in range(degree + 1):
            for i in range(total + 1):
                shape = gaussian * u**i * (u ** (total - i))[:, None]
                amount = shape.sum() if i % 2 == 0 and (total - i) % 2 == 0 else 0.0
                if total == 0 and width == sigma:
                    continue  # the first shape itself
                shapes.append(shape / amount - first if amount else shape)
    return np.stack(shapes)


def _gaussian(step: np.ndarray, sigma: float) -> np.ndarray:
    line = np.exp(-0.5 * (step / sigma) ** 2)
    plane = line * line[:, None]
    return plane / plane.sum()


def _residual(difference: np.ndarray, model: np.ndarray, fwhm: float) -> float:
    """Median over stars of the rms within the FWHM of the centre, as a share of the peak."""
    middle = difference.shape[1] // 2
    step = np.arange(difference.shape[1]) - middle
    near = step**2 + step[:, None] ** 2 <= fwhm**2
    rms = np.sqrt((difference[:, near] ** 2).mean(axis=1))
    return float(f"{np.median(rms / model.max(axis=(1, 2))):.4g}")
