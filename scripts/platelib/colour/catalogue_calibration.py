"""White balance by catalogue stars: a star like the Sun, or one like Vega, becomes white.

No model of filters or spectra is needed: how bright a star is in one plane against another is
measured for many stars, as a straight line over their colour in a catalogue. The line is read where
the colour is that of the wanted white.
"""

from collections.abc import Mapping

import numpy as np

from platelib.colour.picture_stars import find_stars, measure_stars, radius_of
from platelib.colour.white_balance import White, rounded
from platelib.numerics.constants import MAD_TO_SIGMA

SUN, A0 = "sun_like_star", "a0_star"

WHITE_COLOURS: dict[tuple[str, str], dict[str, float]] = {
    # Sun: Casagrande & VandenBerg (2018), MNRAS 479, L102 (from memory: 0.82); Vega: zero by the
    # definition of the system.
    ("BP", "RP"): {SUN: 0.82, A0: 0.0},
    # Sun: B - V = 0.653, Ramirez et al. (2012), ApJ 752, 5 (from memory).
    ("B", "V"): {SUN: 0.653, A0: 0.0},
    # B - V = 0.850 (BT - VT): The Hipparcos and Tycho Catalogues (1997), volume 1, equation 1.3.20.
    ("BT", "VT"): {SUN: 0.768, A0: 0.0},
    # AB magnitudes: Willmer (2018), ApJS 236, 47 (from memory: Sun 0.46, Vega -0.25).
    ("g", "r"): {SUN: 0.46, A0: -0.25},
}
"""Colour of the Sun and of Vega, by the bands of a catalogue."""

MIN_STARS = 10
_ALONE_PX = 8.0
_PEAK_LIMIT = 0.9
_MIN_SNR = 10.0
_CLIP_SIGMA = 3.0
_MAX_ROUNDS = 20
_MIN_SPREAD = 0.1
_MOST_PAIRED = 600
_REACH = 0.15


def star_colours(
    magnitudes: Mapping[str, np.ndarray], white: str
) -> tuple[np.ndarray, float, str] | None:
    """Choose the colour that most stars of a catalogue have.

    Parameters
    ----------
    magnitudes : mapping of str to numpy.ndarray
        ``(n,)`` by band, NaN where unknown.
    white : str
        `SUN` or `A0`.

    Returns
    -------
    colours : numpy.ndarray
        ``(n,)``, NaN where unknown.
    reference : float
        Colour of the wanted white.
    name : str
        What the colour is: ``BP-RP``.

        None if the catalogue has no bands of a known colour.
    """
    best: tuple[int, np.ndarray, float, str] | None = None
    for (blue, red), references in WHITE_COLOURS.items():
        if blue in magnitudes and red in magnitudes:
            colours = np.asarray(magnitudes[blue] - magnitudes[red], dtype=np.float64)
            count = int(np.isfinite(colours).sum())
            if best is None or count > best[0]:
                best = (count, colours, references[white], f"{blue}-{red}")
    return None if best is None else best[1:]


def white_of_colour(
    planes: np.ndarray,
    noise: tuple[float, ...],
    places: np.ndarray,
    colours: np.ndarray,
    reference: float,
    usable: np.ndarray | None = None,
    fwhm_px: float | None = None,
) -> White:
    """Make a star of one colour white.

    Parameters
    ----------
    planes : numpy.ndarray
        ``(3, ny, nx)`` float32 red, green, blue, linear, background subtracted, NaN for no data.
    noise : tuple of float
        Standard deviation of a sky pixel in each plane.
    places : numpy.ndarray
        ``(2, n)`` x and y of the catalogue's stars, 0-based pixels.
    colours : numpy.ndarray
        ``(n,)`` their colours, magnitudes; NaN where unknown.
    reference : float
        Colour of the star that is to be white.
    usable : numpy.ndarray, optional
        ``(n,)`` bool; stars that are not, because they are saturated or were not found, are left.
    fwhm_px : float, optional
        FWHM of the stars; without it, stars are searched to measure it.

    Returns
    -------
    White
        ``scatter`` is that of single stars about the line. Factors are 1 and the note tells why
        where stars are too few, too much alike, or all of other colours than the reference.

    Notes
    -----
    For each plane ln(green / plane) = a + b (colour - reference) is fitted, stars beyond 3 sigma
    are left out and the fit is repeated; the factor is exp(a).
    """
    width = find_stars(planes, noise)[2] if fwhm_px is None else fwhm_px
    chosen = np.isfinite(colours) & _alone_inside(places, planes.shape[1:], 3 * radius_of(width))
    if usable is not None:
        chosen &= usable
    x, y = places[:, chosen]
    flux, peak = measure_stars(planes, x, y, width)
    error = np.asarray(noise) * np.sqrt(np.pi) * radius_of(width)
    good = (flux > _MIN_SNR * error[:, None]).all(axis=0)
    if good.any():
        good &= (peak <= _PEAK_LIMIT * peak[:, good].max(axis=1, keepdims=True)).all(axis=0)
    colour, ratio = colours[chosen][good], np.log(flux[1, good] / flux[:, good])
    problem = _problem(colour, reference)
    if not problem:
        found = _lines(colour - reference, ratio)
        kept = found[2]
        problem = _problem(colour[kept], reference)
        if not problem:
            scatter = MAD_TO_SIGMA * np.median(np.abs(found[1][:, kept]), axis=1)
            return White(rounded(np.exp(found[0])), rounded(scatter), int(kept.sum()))
    return White((1.0, 1.0, 1.0), (0.0, 0.0, 0.0), len(colour), problem)


def _alone_inside(places: np.ndarray, shape: tuple[int, ...], margin: float) -> np.ndarray:
    """Return which catalogue stars are isolated and well inside the picture."""
    x, y = places
    inside = (np.minimum(x, shape[1] - 1 - x) > margin) & (np.minimum(y, shape[0] - 1 - y) > margin)
    for index in np.flatnonzero(inside):
        near = np.hypot(x - x[index], y - y[index]) <= _ALONE_PX
        inside[index] = near.sum() == 1
    return inside


def _problem(colour: np.ndarray, reference: float) -> str:
    """Return the reason why these star colours do not determine white; empty if they do."""
    if len(colour) < MIN_STARS:
        return f"only {len(colour)} stars of known colour were measured and {MIN_STARS} are needed"
    low, high = np.percentile(colour, [5, 95])
    if high - low < _MIN_SPREAD:
        return f"the colours of the stars are too much alike ({low:.2f} to {high:.2f})"
    if not low - _REACH <= reference <= high + _REACH:
        return (
            f"the stars have colours from {low:.2f} to {high:.2f}, which does not reach the "
            f"{reference:g} of the wanted white"
        )
    return ""


def _lines(colour: np.ndarray, ratio: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Fit a line a plane; return values at 0, residuals, and which stars were kept.

    The first line is that of Theil and Sen (1968, JASA 63, 1379), which stars of quite another
    colour than the catalogue says do not pull.
    """
    slopes = [_median_slope(colour, values) for values in ratio]
    levels = [np.median(v - s * colour) for v, s in zip(ratio, slopes, strict=True)]
    kept = np.zeros(len(colour), dtype=bool)
    for _ in range(_MAX_ROUNDS):
        residual = np.stack(
            [v - a - s * colour for v, a, s in zip(ratio, levels, slopes, strict=True)]
        )
        used = kept if kept.any() else ~kept
        sigma = MAD_TO_SIGMA * np.median(np.abs(residual[:, used]), axis=1, keepdims=True)
        before, kept = kept, (np.abs(residual) <= _CLIP_SIGMA * sigma + 1e-6).all(axis=0)
        if np.array_equal(before, kept) or kept.sum() < MIN_STARS:
            break
        lines = [_line(colour[kept], values[kept]) for values in ratio]
        levels, slopes = [line[0] for line in lines], [line[1] for line in lines]
    return np.array(levels), residual, kept


def _median_slope(colour: np.ndarray, values: np.ndarray) -> float:
    step = -(-len(colour) // _MOST_PAIRED)
    x, y = colour[::step], values[::step]
    first, second = np.triu_indices(len(x), 1)
    apart = x[second] != x[first]
    return float(np.median((y[second] - y[first])[apart] / (x[second] - x[first])[apart]))


def _line(colour: np.ndarray, values: np.ndarray) -> tuple[float, float]:
    """Return level and slope by least squares."""
    centre, mean = colour.mean(), values.mean()
    spread = colour - centre
    slope = (spread * (values - mean)).sum() / (spread**2).sum()
    return float(mean - slope * centre), float(slope)
