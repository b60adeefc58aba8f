"""Accuracy of the resampling: light of stars of any width, and dark rings beside bright ones.

Stars of known width are drawn at random subpixel places into dithered, slightly turned and scaled
subs with noise; the subs are laid on the grid and averaged, without rejection. Compared are the
fluxes in apertures of 6 and 1.5 pixels in the average with the mean of those in the subs, and the
lowest pixel beside the brightest stars with the sky.

``PYTHONPATH=scripts python tests/bench/accuracy_resampling.py`` prints the rows.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.special import erf

from platelib.numerics.transform import Transform, normalisation
from platelib.resampling.resample import Cutout, Levels, resample

SHAPE = (354, 387)
SKY_NOISE = 10.0
"""Electrons; the sky has its square."""
BRIGHTEST = 5e4
"""Electrons in the brightest pixel of the brightest class."""
FLUX_LIMIT, CORE_LIMIT, NOTCH_LIMIT = 0.3, 1.0, 0.3
_STAMP = 15
_MARGIN = _STAMP + 9
_THIRDS = np.arange(3) / 3
_PHASES = np.stack(np.meshgrid(_THIRDS + 0.07, _THIRDS + 0.12), axis=-1).reshape(-1, 2)
_FINE = (np.arange(7) - 3) / 7
_SIGNAL_TO_NOISE = (25.0, 100.0, 400.0)


@dataclass(frozen=True)
class Measured:
    """Outcome for stars of one kind.

    Attributes
    ----------
    flux, core : numpy.ndarray
        Flux within 6 and 1.5 pixels over the mean of those in the subs, a value a brightness class,
        from S/N 25 to just below saturation.
    notch : float
        Lowest pixel of the average beside the brightest stars, below the sky, in units of the noise
        of the sky in a sub; the average of all stars at a phase on the grid.
    """

    flux: np.ndarray
    core: np.ndarray
    notch: float


def draw(profile: str, fwhm: float, x: np.ndarray, y: np.ndarray) -> np.ndarray:
    """Return images of unit flux at subpixel places.

    Parameters
    ----------
    profile : str
        ``gaussian``, ``moffat`` (exponent 3.3), or ``pixel``: all in one pixel.
    fwhm : float
        Pixels.
    x, y : numpy.ndarray
        ``(n,)``, from -0.5 to 0.5: places in the middle pixel, whose centre is 0.

    Returns
    -------
    numpy.ndarray
        ``(n, 2 * _STAMP + 1, 2 * _STAMP + 1)``, integrated over pixels.
    """
    size = 2 * _STAMP + 1
    if profile == "pixel":
        stamps = np.zeros((len(x), size, size))
        stamps[:, _STAMP, _STAMP] = 1.0
        return stamps
    if profile == "gaussian":
        edges = np.arange(size + 1) - _STAMP - 0.5
        across, down = (
            np.diff(erf((edges - at[:, None]) / (fwhm / 2.3548) / np.sqrt(2.0)) / 2)
            for at in (x, y)
        )
        return down[:, :, None] * across[:, None, :]
    steps, beta = 4, 3.3
    width = fwhm / 2 / np.sqrt(2 ** (1 / beta) - 1)
    at = (np.arange(size * steps) + 0.5) / steps - 0.5 - _STAMP
    squares = (at - y[:, None])[:, :, None] ** 2 + (at - x[:, None])[:, None, :] ** 2
    light = (1 + squares / width**2) ** -beta * (beta - 1) / (np.pi * width**2)
    return light.reshape(len(x), size, steps, size, steps).mean(axis=(2, 4))


def measure(profile: str, fwhm: float, subs: int = 12, seed: int = 1) -> Measured:
    """Draw, resample and average subs, and measure.

    Parameters
    ----------
    profile, fwhm
        See :func:`draw`.
    subs : int
        How many; an even number.
    seed : int
        Of shifts, turns, scales and noise.
    """
    rng = np.random.default_rng(seed)
    ny, nx = SHAPE
    spacing = max(16, round(5 * fwhm))
    places = np.meshgrid(*(np.arange(_MARGIN, size - _MARGIN, spacing) for size in (nx, ny)))
    phase = np.arange(places[0].size) % len(_PHASES)
    x, y = (at.ravel() + _PHASES[phase, axis] for axis, at in enumerate(places))
    classes = np.minimum(rng.integers(0, 2 * len(_SIGNAL_TO_NOISE), x.size), len(_SIGNAL_TO_NOISE))
    flux = _fluxes(profile, fwhm)[classes]
    total, raw = np.zeros(SHAPE), np.zeros((2, x.size))
    for _ in range(subs // 2):
        transform, scale = _pointing(rng)
        at_x, at_y = transform(x, y)
        light = _light(profile, fwhm, at_x, at_y, flux)
        variance = (light + SKY_NOISE**2).astype(np.float32)
        noise = rng.normal(0.0, 1.0, SHAPE) * np.sqrt(variance)
        # Noise of both signs: what is linear leaves no noise in the average.
        for signed in (noise, -noise):
            image = (light + signed).astype(np.float32)
            raw += _apertures(image, at_x, at_y, scale) / subs
            source = Cutout(image, variance, np.zeros(SHAPE, dtype=np.uint8), 0, 0, SHAPE)
            values, _ = resample(source, transform, (0, ny), (0, nx), Levels(scale**2))
            total += values / subs
    found = _apertures(total, x, y)
    number = len(_SIGNAL_TO_NOISE) + 1
    sums = [
        [np.bincount(classes, plane, number) for plane in both]
        for both in zip(found, raw, strict=True)
    ]
    whole, core = (stack / subs_mean for stack, subs_mean in sums)
    bright = classes == number - 1
    notch = min(
        _mean_stamp(total, x[bright & (phase == k)], y[bright & (phase == k)]).min()
        for k in range(len(_PHASES))
    )
    return Measured(whole, core, -notch / SKY_NOISE)


def _fluxes(profile: str, fwhm: float) -> np.ndarray:
    """Flux of each class, electrons."""
    area = 4 * np.pi * ((fwhm / 2.3548) ** 2 + 1 / 12)  # noise-equivalent, of a Gaussian
    fluxes = [0.5 * (s**2 + s * np.sqrt(s**2 + 4 * area * SKY_NOISE**2)) for s in _SIGNAL_TO_NOISE]
    summit = draw(profile, fwhm, np.zeros(1), np.zeros(1)).max()
    return np.array([*fluxes, BRIGHTEST / summit])


def _pointing(rng: np.random.Generator) -> tuple[Transform, float]:
    """Draw the transform of a sub: a dither, a turn by up to 0.3 deg, a scale within 0.1 %."""
    cx, cy, half = normalisation(SHAPE)
    scale, angle = 1 + rng.uniform(-1e-3, 1e-3), np.radians(rng.uniform(-0.3, 0.3))
    cos, sin = half * scale * np.cos(angle), half * scale * np.sin(angle)
    dx, dy = rng.uniform(-3, 3, 2)
    at_x, at_y = np.array([cx + dx, cos, -sin]), np.array([cy + dy, sin, cos])
    return Transform(1, cx, cy, half, at_x, at_y), scale


def _light(profile: str, fwhm: float, x, y, flux) -> np.ndarray:
    """Draw the stars of a sub."""
    light = np.zeros(SHAPE)
    columns, rows = np.rint(x).astype(int), np.rint(y).astype(int)
    for stamp, row, column in zip(
        draw(profile, fwhm, x - columns, y - rows) * flux[:, None, None], rows, columns, strict=True
    ):
        light[row - _STAMP : row + _STAMP + 1, column - _STAMP : column + _STAMP + 1] += stamp
    return light


def _cut(image: np.ndarray, x: np.ndarray, y: np.ndarray) -> tuple[np.ndarray, ...]:
    """Cut out the pixels around each place, and say how far right and below it they lie."""
    columns, rows = (np.rint(at).astype(int)[:, None, None] for at in (x, y))
    reach = np.arange(-8, 9)
    rows, columns = np.broadcast_arrays(rows + reach[:, None], columns + reach)
    return image[rows, columns], columns - x[:, None, None], rows - y[:, None, None]


def _apertures(image: np.ndarray, x: np.ndarray, y: np.ndarray, scale: float = 1.0) -> np.ndarray:
    """Light within 6 and 1.5 pixels of the grid, pixels at the rim counted by 7 x 7 parts."""
    pixels, right, below = _cut(image, x, y)
    parts = (right[..., None, None] + _FINE) ** 2 + (below[..., None, None] + _FINE[:, None]) ** 2
    return np.stack(
        [((parts < (r * scale) ** 2).mean(axis=(3, 4)) * pixels).sum(axis=(1, 2)) for r in (6, 1.5)]
    )


def _mean_stamp(image: np.ndarray, x: np.ndarray, y: np.ndarray) -> np.ndarray:
    """Mean of the pixels within 6.5 of some stars at the same place in a pixel."""
    pixels, right, below = _cut(image, x, y)
    return pixels.mean(axis=0)[np.hypot(right[0], below[0]) < 6.5]


def rows(widths: Sequence[float] = (1.2, 1.5, 2.0, 3.0, 6.0)) -> list[dict]:
    """Measure stars of all widths, Gaussian and Moffat, and hot pixels.

    Returns
    -------
    list of dict
        ``what``, ``case``, ``value``, ``limit`` and ``unit``.
    """
    table = []
    cases = [(profile, width) for profile in ("gaussian", "moffat") for width in widths]
    for profile, width in [*cases, ("pixel", 1.0)]:
        found = measure(profile, width)
        case = "hot pixels" if profile == "pixel" else f"{profile}, FWHM {width:g} px"
        unit = "sky noise of a sub"
        table.append(
            _row("dark ring beside bright light", case, max(found.notch, 0.0), NOTCH_LIMIT, unit)
        )
        if profile == "pixel":
            continue
        for what, ratios, limit in (
            ("flux within 6 px, worst class", found.flux, FLUX_LIMIT),
            ("flux within 1.5 px, worst class", found.core, CORE_LIMIT),
        ):
            error = 100 * (ratios - 1)
            table.append(_row(what, case, error[np.abs(error).argmax()], limit, "%"))
    return table


def _row(what: str, case: str, value: float, limit: float, unit: str) -> dict:
    return {"what": what, "case": case, "value": float(value), "limit": limit, "unit": unit}


if __name__ == "__main__":
    for row in rows():
        print("{what:32} {case:24} {value:+8.3f} {limit:5g} {unit}".format(**row))
