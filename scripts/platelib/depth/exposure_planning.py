"""Exposure planning: time for a deeper channel, balance of channels, exposure of subs."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from platelib.depth.ccd_equation import Exposure, electrons_at, shortest_exposure_s, signal_to_noise

_HALVINGS = 60


@dataclass(frozen=True)
class SubNoise:
    """The noise components of a sub.

    Attributes
    ----------
    exposure_s : float
    sky_e : float
        Electrons of the sky in a pixel, dark current subtracted.
    read_noise_e : float
    """

    exposure_s: float
    sky_e: float
    read_noise_e: float


def hours_for_gain(exposure_s: float, gain_mag: float) -> float:
    """Return the hours more that make a channel deeper, under conditions as they were.

    The limit by the noise of the sky scales with the square root of the exposure, so 0.2 mag takes
    1.445 times and 0.5 mag 2.512 times as long.

    Parameters
    ----------
    exposure_s : float
        Exposure so far.
    gain_mag : float
    """
    return exposure_s / 3600.0 * (10 ** (0.8 * gain_mag) - 1.0)


def balance_hours(
    exposures_s: Mapping[str, float], noise_over_star: Mapping[str, float]
) -> dict[str, float]:
    """Return the further hours for each channel to reach the noise of the best channel.

    Parameters
    ----------
    exposures_s : mapping of str to float
        Exposure so far, by channel.
    noise_over_star : mapping of str to float
        Noise of the sky over the light of one and the same star; the star is that which colours
        are balanced by, so equal numbers are equal noise in the colours of the picture.
    """
    known = {name: value for name, value in noise_over_star.items() if math.isfinite(value)}
    if len(known) < 2:
        return dict.fromkeys(exposures_s, math.nan)
    best = min(known.values())
    return {
        name: exposure / 3600.0 * ((known[name] / best) ** 2 - 1.0) if name in known else math.nan
        for name, exposure in exposures_s.items()
    }


def shortest_subs_s(subs: Sequence[SubNoise]) -> tuple[float, float]:
    """Return the shortest length of subs for which read noise adds less than 5 % to the noise.

    Returns
    -------
    usual_s, darkest_s : float
        Under the median sky, and under the darkest, which asks for the longest subs. NaN where
        there is no sub whose noise in electrons is known.
    """
    lengths = sorted(
        shortest_exposure_s(sub.sky_e / sub.exposure_s, sub.read_noise_e)
        for sub in subs
        if sub.exposure_s > 0 and sub.sky_e > 0 and sub.read_noise_e > 0
    )
    if not lengths:
        return math.nan, math.nan
    half = len(lengths) // 2
    usual = lengths[half] if len(lengths) % 2 else 0.5 * (lengths[half - 1] + lengths[half])
    return usual, lengths[-1]


def read_noise_share(subs: Sequence[SubNoise]) -> float:
    """Return by how much read noise adds to the noise of the subs as they are, 0.05 for 5 %."""
    light = sum(sub.sky_e for sub in subs)
    if light <= 0:
        return math.nan
    return math.sqrt(1 + sum(sub.read_noise_e**2 for sub in subs) / light) - 1


def expected_rate(
    subs: Sequence[SubNoise], scales: Sequence[float], pixels: float, share: float, snr: float
) -> float:
    """Return the light of a star at the limit that the CCD equation gives for all subs together.

    Parameters
    ----------
    subs : sequence of SubNoise
        Those in the mean.
    scales : sequence of float
        From electrons of each sub to the unit of the channel.
    pixels : float
        Size of the circle that stars are measured in.
    share : float
        Share of the light of a star inside of it.
    snr : float

    Returns
    -------
    float
        In the unit of the channel; NaN where nothing is known of the noise. What resampling, an
        uneven sky and rejection add to the noise is what the measured limit misses of it.
    """
    if not subs or any(sub.sky_e <= 0 for sub in subs) or any(scale <= 0 for scale in scales):
        return math.nan
    exposures = [Exposure(sub.sky_e, 0.0, sub.read_noise_e) for sub in subs]

    def together(light: float) -> float:
        """Signal-to-noise of the best weighted mean: squares of those of the subs add up."""
        single = (
            signal_to_noise(light * share / scale, pixels, exposure)
            for scale, exposure in zip(scales, exposures, strict=True)
        )
        return math.sqrt(sum(value**2 for value in single))

    # The best sub by itself needs more light than all of them together.
    high = min(
        electrons_at(snr, pixels, exposure) * scale / share
        for scale, exposure in zip(scales, exposures, strict=True)
    )
    low = 0.0
    for _ in range(_HALVINGS):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if together(middle) < snr else (low, middle)
    return high
