"""Nights with movers, star residues and noise: as lists of detections, and as maps."""

from dataclasses import dataclass

import numpy as np
from scipy.ndimage import gaussian_filter

from platelib.movers.detections import Detections, Subs
from platelib.numerics.constants import FWHM_PER_SIGMA

FWHM_PX = 3.0
THRESHOLD = 5.0


@dataclass(frozen=True)
class Mover:
    """A mover with its true places ``(n,)``, and where it can be seen."""

    x: np.ndarray
    y: np.ndarray
    rate: float
    snr: float
    seen: np.ndarray


def drawn_subs(rng, n=None, hours=None, channels=None, shape=(4096, 4000)):
    """Draw 10 to 60 subs in 1 to 6 h, half of the nights with a long gap, of 1 to 3 channels."""
    n = n or int(rng.integers(10, 61))
    hours = hours or rng.uniform(1, 6)
    channels = channels or int(rng.integers(1, 4))
    gaps = 1 + rng.exponential(0.3, n - 1)
    if rng.random() < 0.5:
        gaps[int(rng.integers(0, n - 1))] += 0.3 * n
    time = np.concatenate([[0], np.cumsum(gaps)]) / gaps.sum() * hours / 24
    channel = np.arange(n) % channels
    channel = channel if rng.random() < 0.5 else np.sort(channel)
    error = 1 / (np.array([1, 0.7, 0.5])[channel] * rng.uniform(0.85, 1.05, n))
    exposure = np.full(n, min(180, 3000 * hours / n))
    return Subs(time, exposure, channel, np.full(n, THRESHOLD), error, shape)


def drawn_movers(rng, subs, count, rates=(0.02, 20), snrs=(3, 30)):
    """Draw movers, evenly in the logarithm of rate and of signal-to-noise; 5 % are masked."""
    minutes, (ny, nx) = subs.minutes, subs.shape
    movers = []
    for _ in range(count):
        rate, snr = (np.exp(rng.uniform(*np.log(limits))) for limits in (rates, snrs))
        angle, middle = rng.uniform(0, 2 * np.pi), rng.uniform(minutes[0], minutes[-1])
        x = rng.uniform(0, nx) + rate * np.cos(angle) * (minutes - middle)
        y = rng.uniform(0, ny) + rate * np.sin(angle) * (minutes - middle)
        seen = subs.inside(np.arange(len(subs)), x, y) & (rng.random(len(subs)) > 0.05)
        movers.append(Mover(x, y, rate, snr, seen))
    return movers


def drawn_detections(rng, subs, movers, false=15.0, stars=200):
    """Return detections in any order, and the number of the mover of each one, or -1 or -2.

    Each sub has so many false detections on average, and residues of stars at fixed places: each
    star has a chance of its own to show, and scatters by 0.6 px whatever its errors say.
    """
    rows = []
    for number, mover in enumerate(movers):
        snr = mover.snr / subs.flux_error + rng.standard_normal(len(subs))
        for i in np.flatnonzero(mover.seen & (snr > THRESHOLD)):
            scatter = 0.6 * FWHM_PX / snr[i]
            rows.append((i, mover.x[i], mover.y[i], snr[i], scatter, number))
    ny, nx = subs.shape
    for i in range(len(subs)):
        for _ in range(rng.poisson(false)):
            snr = THRESHOLD + rng.exponential(0.3)
            rows.append((i, rng.uniform(0, nx), rng.uniform(0, ny), snr, 0, -1))
    for _ in range(stars):
        x, y, chance = rng.uniform(0, nx), rng.uniform(0, ny), rng.uniform(0, 0.9) ** 2
        bright = 5 + rng.exponential(5)
        for i in np.flatnonzero(rng.random(len(subs)) < chance):
            rows.append((i, x, y, THRESHOLD + abs(rng.normal(0, bright)), 0.6, -2))
    table = np.array(rows)[rng.permutation(len(rows))]
    sub, snr = table[:, 0].astype(np.int64), table[:, 3]
    x, y = (table[:, 1 + k] + table[:, 4] * rng.standard_normal(len(rows)) for k in range(2))
    error = subs.flux_error[sub]
    detections = Detections(
        sub, x, y, 0.6 * FWHM_PX / snr, snr, snr * error, error, np.zeros(len(rows), np.int64)
    )
    return detections, table[:, 5].astype(np.int64)


def drawn_maps(rng, minutes, shape, movers, fwhm_px=FWHM_PX):
    """Draw matched-filter maps of unit variance with movers ``(x, y, vx, vy, snr)``.

    Noise and movers have the correlation of a Gaussian star image that is filtered with itself.
    """
    sigma = fwhm_px / FWHM_PER_SIGMA
    y, x = np.mgrid[: shape[0], : shape[1]]
    signal = np.empty((len(minutes), *shape), dtype=np.float32)
    for i, t in enumerate(minutes):
        white = rng.standard_normal(shape).astype(np.float32)
        signal[i] = gaussian_filter(white, sigma, mode="wrap") * 2 * np.sqrt(np.pi) * sigma
        for x0, y0, vx, vy, snr in movers:
            r2 = (x - x0 - vx * t) ** 2 + (y - y0 - vy * t) ** 2
            signal[i] += snr * np.exp(-r2 / (4 * sigma**2))
    return signal, np.ones_like(signal)


def reader_of(signal, weight):
    """Return a function that reads parts of maps."""
    return lambda rows, columns: (signal[:, rows, columns], weight[:, rows, columns])
