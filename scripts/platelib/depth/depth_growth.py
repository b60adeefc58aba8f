"""Growth of depth with the nights, from the weights and noise of the subs."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np


@dataclass(frozen=True)
class UsedSub:
    """The contribution of a sub.

    Attributes
    ----------
    night : str
    exposure_s : float
    noise : float
        Noise of its sky at the scale of the channel, in the channel's unit.
    fwhm_px : float
    weight : float
        Relative weight in the mean.
    """

    night: str
    exposure_s: float
    noise: float
    fwhm_px: float
    weight: float


@dataclass(frozen=True)
class NightDepth:
    """The state of a channel after a night.

    Attributes
    ----------
    night : str
    subs : int
        Used subs of that night.
    exposure_s : float
        Their exposure.
    total_exposure_s : float
        Of all nights so far.
    gain_mag : float
        What the night added to the limit; NaN for the first.
    behind_mag : float
        By how much the channel was less deep then than it is now.
    """

    night: str
    subs: int
    exposure_s: float
    total_exposure_s: float
    gain_mag: float
    behind_mag: float


def growth(subs: Sequence[UsedSub]) -> tuple[NightDepth, ...]:
    """Return the depth of a channel after each night, relative to the present depth.

    The noise of the weighted mean of the subs so far is ``sqrt(sum w^2 n^2) / sum w``, its stars
    have the weighted mean of the squared widths; the limit of stars in the noise of the sky goes
    with the noise times the width (King 1983, PASP 95, 163). No sub is looked at again.

    Parameters
    ----------
    subs : sequence of UsedSub
        Subs in the mean.

    Returns
    -------
    tuple of NightDepth
        By night.
    """
    nights = sorted({sub.night for sub in subs})
    blurs = [_blur([sub for sub in subs if sub.night <= night]) for night in nights]
    result: list[NightDepth] = []
    for k, night in enumerate(nights):
        own = [sub for sub in subs if sub.night == night]
        total = sum(sub.exposure_s for sub in subs if sub.night <= night)
        gain = 2.5 * np.log10(blurs[k - 1] / blurs[k]) if k else np.nan
        behind = 2.5 * np.log10(blurs[k] / blurs[-1])
        exposure = sum(sub.exposure_s for sub in own)
        result.append(
            NightDepth(night, len(own), exposure, total, _rounded(gain), _rounded(behind))
        )
    return tuple(result)


def _blur(subs: Sequence[UsedSub]) -> float:
    """Noise times width of the weighted mean."""
    total = sum(sub.weight for sub in subs)
    variance = sum((sub.weight * sub.noise) ** 2 for sub in subs) / total**2
    width = sum(sub.weight * sub.fwhm_px**2 for sub in subs) / total
    return float(np.sqrt(variance * width))


def _rounded(value: float) -> float:
    return float(np.round(value, 4)) + 0.0
