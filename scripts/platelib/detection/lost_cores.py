"""Saturated cores of calibrated frames: stars with a core fainter than their wings imply.

In a raw frame saturated pixels pile up at one value. Who calibrates, interpolates over saturated
pixels or resamples a frame leaves no such value behind: cores may even be darker than stars that
do not saturate. What stays is the shape. Every star of a frame has the same profile, so that the
ring-by-ring ratio to the profile of faint stars is one number, the brightness of the star. Where
a core is lost the ratio is too low in the inner rings, and beyond the core it is that number
again.

A galaxy is not like that. Its profile is smoother than that of a star everywhere, so that the
ratio rises from ring to ring. Nor does saturation befall fainter stars and spare brighter ones:
where stars without loss are brighter than a candidate, it is none. Its core, last, is about as
bright as the brightest stars without loss and nearly flat.
"""

from dataclasses import dataclass

import numpy as np

from platelib.calibration.saturation_level import NO_CORES, LostCores
from platelib.detection.wing_profiles import RING_EDGES, RINGS, WingProfiles, wing_profiles

_LEAST_SIGMA = 8.0
_EVEN_STAR, _EVEN_WING = 0.8, 1.2
_BIN, _FEWEST_ALIKE, _SHARE_ALIKE = 0.3, 5, 0.5
_WHOLE_SPREAD, _WING_SPREAD = 0.5, 0.35
_WHOLE_CORE = 0.75
_LOST, _TOUCHED = 0.65, 0.85
_FEWEST_WHOLE, _ODD_WHOLE = 5, 20
_RIM_PX = 0.5


@dataclass(frozen=True)
class _Bar:
    """The detection criteria of a source.

    Attributes
    ----------
    rings : int
        Rings of wing, at least.
    first : int
        The wing must begin at this ring at the latest.
    flatness : float
        How much brighter the middle may be than the outermost ring of the core.
    rise : float
        How much the ratio may rise along the wing.
    core : float
        Least brightness of the middle, as a share of that of the brightest whole stars.
    share : float
        Largest ratio of the centre to its prediction from the wing.
    brighter : float
        Least brightness of the wing over that of the brightest whole stars.
    """

    rings: int
    first: int
    flatness: float
    rise: float
    core: float
    share: float
    brighter: float


_FIRST = _Bar(rings=3, first=4, flatness=2.5, rise=1.5, core=0.1, share=0.5, brighter=0.9)
"""Shows that cores are lost in the frame."""
_MORE = _Bar(rings=2, first=3, flatness=5.5, rise=1.3, core=0.25, share=0.65, brighter=1.1)
"""For stars that outshine all whole ones, once others have shown that."""
_ALONE_BRIGHTER, _ALONE_CORE = 2.0, 0.5
"""A single star must be so much brighter than whole ones, and its core so bright."""


def find_lost_cores(image: np.ndarray, sky: float, noise: float, fwhm_px: float) -> LostCores:
    """Find the stars of a frame whose cores are saturated, by their profiles.

    Parameters
    ----------
    image : numpy.ndarray
        ``(ny, nx)`` float32, NaN for no data.
    sky, noise : float
        Level of the sky and noise of a pixel, unit of the image.
    fwhm_px : float
        Median FWHM of the stars as `platelib.detection.star_finder` measures it; NaN if it is
        unknown.

    Returns
    -------
    LostCores
        Brightest wings first; none where fewer than five stars without loss show their profile, or
        where a single star is the only hint and no strong one. Places are rounded to 0.01 px.
    """
    if not (fwhm_px > 0 and noise > 0):
        return NO_CORES
    return lost_cores_of(wing_profiles(image, sky, noise, fwhm_px))


def lost_cores_of(profiles: WingProfiles) -> LostCores:
    """Find the stars whose cores are lost among profiles; see `find_lost_cores`."""
    template = _star_profile(profiles)
    reach = _reached(profiles, template.size)
    ratios = profiles.light[:, : template.size] / template
    whole = _brightness_of_whole(profiles, ratios, reach)
    if whole.size < _FEWEST_WHOLE:
        return NO_CORES
    brightest = float(np.sort(whole)[::-1][whole.size // _ODD_WHOLE])
    found: dict[int, tuple[float, float]] = {}
    for k in range(len(reach)):
        judged = _judged(profiles, ratios, reach, k, _FIRST, brightest)
        if judged is not None:
            found[k] = judged
    if len(found) < 2 and not _is_sure(profiles, found, brightest):
        return NO_CORES
    for k in set(range(len(reach))) - set(found):
        judged = _judged(profiles, ratios, reach, k, _MORE, brightest)
        if judged is not None:
            found[k] = judged
    order = sorted(found, key=lambda k: (-found[k][0], k))
    radii = [found[k][1] * profiles.unit_px + _RIM_PX for k in order]
    x, y = (np.round(values[order], 2) for values in (profiles.x, profiles.y))
    return LostCores(x, y, np.round(radii, 2), int(whole.size))


def _star_profile(profiles: WingProfiles) -> np.ndarray:
    """Return the profile of stars, 1 in the innermost ring, out to where five stars contribute.

    From ring to ring the light of stars falls most steeply of all sources: the steepest of the
    groups that are about as large as the largest.
    """
    steps = [0.0]
    bright = (profiles.light > _LEAST_SIGMA * profiles.error) & (profiles.unevenness <= _EVEN_STAR)
    bright = np.logical_and.accumulate(bright, axis=1)
    for ring in range(RINGS - 1):
        both = bright[:, ring] & bright[:, ring + 1]
        falls = np.sort(np.log(profiles.light[both, ring + 1] / profiles.light[both, ring]))
        alike = np.searchsorted(falls, falls + _BIN, side="right") - np.arange(falls.size)
        if falls.size == 0 or alike.max() < _FEWEST_ALIKE:
            break
        enough = max(_FEWEST_ALIKE, _SHARE_ALIKE * alike.max())
        first = falls[np.flatnonzero(alike >= enough)[0]]
        start = int(np.argmax(np.where(falls <= first + _BIN, alike, 0)))
        steps.append(steps[-1] + float(np.median(falls[start : start + alike[start]])))
    return np.exp(steps)


def _reached(profiles: WingProfiles, rings: int) -> np.ndarray:
    """Return the number of rings of each source above the noise, from the centre out."""
    bright = profiles.light[:, :rings] > _LEAST_SIGMA * profiles.error[:, :rings]
    return np.logical_and.accumulate(bright, axis=1).sum(axis=1)


def _brightness_of_whole(
    profiles: WingProfiles, ratios: np.ndarray, reach: np.ndarray
) -> np.ndarray:
    """Return the brightness of the sources that have the profile of a star in all rings."""
    values = []
    for own, uneven, rings in zip(ratios, profiles.unevenness, reach, strict=True):
        even = int(np.logical_and.accumulate(uneven[:rings] <= _EVEN_STAR).sum())
        if even >= _FIRST.rings:
            brightness = float(np.median(own[:even]))
            alike = np.abs(np.log(own[:even] / brightness)).max() < _WHOLE_SPREAD
            if alike and own[0] >= _WHOLE_CORE * brightness:
                values.append(brightness)
    return np.array(values)


def _judged(
    profiles: WingProfiles, ratios: np.ndarray, reach: np.ndarray, k: int, bar: _Bar, whole: float
) -> tuple[float, float] | None:
    """Return brightness and radius of the core, in units of rings, of a star with a lost core.

    Returns
    -------
    tuple of float or None
        None where the source is something else.
    """
    light, own, rings = profiles.light[k], ratios[k, : reach[k]], int(reach[k])
    if rings == 0 or light[0] < bar.core * whole:
        return None
    for start in range(1, min(rings - bar.rings, bar.first) + 1):
        even = np.logical_and.accumulate(profiles.unevenness[k, start:rings] <= _EVEN_WING)
        brightness = _of_wing(own[start : start + int(even.sum())], bar)
        if brightness is None:
            continue
        share = own / brightness
        if share[0] >= bar.share or brightness < bar.brighter * whole:
            return None
        lost = int(np.logical_and.accumulate(share < _LOST).sum())
        if not 0 < lost <= start or start - lost > 2 or (share[lost:start] < _LOST).any():
            return None
        if light[0] > bar.flatness * light[lost - 1]:
            return None
        touched = int(np.logical_and.accumulate(share[: start + 1] < _TOUCHED).sum())
        return brightness, float(RING_EDGES[touched])
    return None


def _of_wing(ratios: np.ndarray, bar: _Bar) -> float | None:
    """Return the brightness on which most rings of a wing agree."""
    for stop in range(ratios.size, bar.rings - 1, -1):
        wing = ratios[:stop]
        brightness = float(np.median(wing))
        spread = np.abs(np.log(wing / brightness)).max()
        if spread <= _WING_SPREAD and wing[-1] <= bar.rise * wing[0]:
            return brightness
    return None


def _is_sure(profiles: WingProfiles, found: dict[int, tuple[float, float]], whole: float) -> bool:
    """Return whether a single star alone is hint enough."""
    return any(
        brightness >= _ALONE_BRIGHTER * whole and profiles.light[k, 0] >= _ALONE_CORE * whole
        for k, (brightness, _) in found.items()
    )
