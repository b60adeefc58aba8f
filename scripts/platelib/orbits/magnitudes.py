"""Magnitudes of minor planets and comets."""

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]

DEFAULT_SLOPE = 0.15
"""Slope parameter G where it is unknown (convention of published elements)."""
_SMALL = ((3.332, 0.631, 0.986), (1.862, 1.218, 0.238))


def asteroid_magnitude(
    h: npt.ArrayLike,
    g: npt.ArrayLike,
    sun_au: npt.ArrayLike,
    distance_au: npt.ArrayLike,
    phase_deg: npt.ArrayLike,
) -> Floats:
    """Return the V magnitude of minor planets by the H, G system.

    Parameters
    ----------
    h, g : array_like
        Absolute magnitude and slope parameter; a slope of NaN counts as 0.15.
    sun_au, distance_au : array_like
        Distances from the Sun and from the observer.
    phase_deg : array_like
        Phase angle, valid up to 120 degrees.

    References
    ----------
    Bowell, Hapke, Domingue et al. (1989), Asteroids II, 524, appendix (from memory).
    """
    slope = np.asarray(g, dtype=float)
    slope = np.where(np.isnan(slope), DEFAULT_SLOPE, slope)
    first, second = _phase_functions(np.deg2rad(phase_deg))
    with np.errstate(divide="ignore", invalid="ignore"):
        light = -2.5 * np.log10((1.0 - slope) * first + slope * second)
        return np.asarray(h) + 5.0 * np.log10(np.asarray(sun_au) * distance_au) + light


def comet_magnitude(
    m1: npt.ArrayLike, n: npt.ArrayLike, sun_au: npt.ArrayLike, distance_au: npt.ArrayLike
) -> Floats:
    """Return the total magnitude of comets, ``M1 + 5 log10 d + 2.5 n log10 r``.

    Parameters
    ----------
    m1, n : array_like
        Absolute total magnitude and slope parameter, as published with elements of comets; a
        slope of NaN counts as 4.
    sun_au, distance_au : array_like
        Distances from the Sun and from the observer.
    """
    slope = np.asarray(n, dtype=float)
    slope = np.where(np.isnan(slope), 4.0, slope)
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.asarray(m1) + 5.0 * np.log10(distance_au) + 2.5 * slope * np.log10(sun_au)


def _phase_functions(phase: Floats) -> tuple[Floats, Floats]:
    """Return Bowell's two phase functions: blends of forms for small and for large angles."""
    sine, half = np.sin(phase), np.tan(phase / 2)
    weight = np.exp(-90.56 * half**2)
    out = []
    for a, b, c in _SMALL:
        small = 1.0 - c * sine / (0.119 + 1.341 * sine - 0.754 * sine**2)
        large = np.exp(-a * np.abs(half) ** b)
        out.append(weight * small + (1.0 - weight) * large)
    return out[0], out[1]
