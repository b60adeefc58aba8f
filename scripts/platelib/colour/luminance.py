"""Combine the lightness of one picture with the colour of another, in a perceptual space.

Lightness is replaced in Oklab (Ottosson 2020, see `platelib.colour.srgb`); hue stays. Chroma is
scaled by the ratio of the new lightness to the old, so that what was vivid stays vivid, but at most
`MAX_LIFT` times, since colour in near darkness is mostly noise. A colour that no display can show
is made paler at its own hue and lightness.
"""

import numpy as np

from platelib.colour.srgb import decode, encode, from_oklab, to_oklab

MAX_LIFT = 2.0
_HALVINGS = 20


def replace_lightness(
    display: np.ndarray, brightness: np.ndarray, max_lift: float = MAX_LIFT
) -> np.ndarray:
    """Replace the lightness of a colour picture by that of a grey one.

    Parameters
    ----------
    display : numpy.ndarray
        ``(3, ...)`` sRGB display values from 0 to 1.
    brightness : numpy.ndarray
        ``(...)`` display values of the grey picture.
    max_lift : float
        Chroma grows with lightness by no more than this factor.

    Returns
    -------
    numpy.ndarray
        ``(3, ...)`` float64 display values: the lightness of ``brightness``, the hue of
        ``display``, the ratio of chroma to lightness of ``display`` as far as ``max_lift``
        and the display allow.
    """
    lab = to_oklab(decode(display))
    lightness = np.cbrt(decode(np.clip(brightness, 0.0, 1.0)))
    lift = lightness / np.where(lab[0] > 0, lab[0], 1.0)
    lift = np.where(lab[0] > 0, np.minimum(lift, max_lift), 0.0)
    return encode(fit_gamut(np.stack([lightness, lab[1] * lift, lab[2] * lift])))


def scale_chroma(display: np.ndarray, saturation: float) -> np.ndarray:
    """Make colours paler (below 1) or more vivid (above 1) at their hue and lightness.

    Parameters
    ----------
    display : numpy.ndarray
        ``(3, ...)`` sRGB display values from 0 to 1.
    saturation : float
        Factor of the chroma in Oklab; 0 gives grey.

    Returns
    -------
    numpy.ndarray
        ``(3, ...)`` float64 display values from 0 to 1.
    """
    lab = to_oklab(decode(display))
    lab[1:] *= saturation
    return encode(fit_gamut(lab))


def fit_gamut(lab: np.ndarray) -> np.ndarray:
    """Convert Oklab to linear sRGB light from 0 to 1, with chroma reduced as needed.

    Parameters
    ----------
    lab : numpy.ndarray
        ``(3, ...)`` Oklab; lightness is limited to 0 to 1.

    Returns
    -------
    numpy.ndarray
        ``(3, ...)`` float64 linear light. NaN stays NaN.
    """
    lab = np.concatenate([np.clip(lab[:1], 0.0, 1.0), lab[1:]])
    light = from_oklab(lab)
    outside = ~_shown(light) & np.isfinite(light).all(axis=0)
    wild = lab[:, outside]
    paler, vivid = np.zeros(wild.shape[1]), np.ones(wild.shape[1])
    for _ in range(_HALVINGS):
        middle = (paler + vivid) / 2
        shown = _shown(from_oklab(np.stack([wild[0], wild[1] * middle, wild[2] * middle])))
        paler, vivid = np.where(shown, middle, paler), np.where(shown, vivid, middle)
    light[:, outside] = from_oklab(np.stack([wild[0], wild[1] * paler, wild[2] * paler]))
    return np.clip(light, 0.0, 1.0)


def _shown(light: np.ndarray) -> np.ndarray:
    return np.all((light >= -1e-6) & (light <= 1 + 1e-6), axis=0)
