"""Cosmic-ray tracks and satellite trails."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from platelib.numerics.constants import FWHM_PER_SIGMA

Image = npt.NDArray[np.float32]

_STEPS_PER_PIXEL = 8


@dataclass(frozen=True)
class SatelliteSpec:
    """A straight trail right across the frame.

    Attributes
    ----------
    x_px, y_px : float
        A raw place on the trail's middle line.
    angle_deg : float
        Direction from +x to +y.
    fwhm_px : float
        Width across the trail, which has a Gaussian profile.
    peak_e : float
        Electrons per pixel on the middle line, before the camera's response.
    """

    x_px: float
    y_px: float
    angle_deg: float
    fwhm_px: float = 4.5
    peak_e: float = 900.0


@dataclass(frozen=True)
class CosmicRays:
    """Pixels hit by particles, each pixel once.

    Attributes
    ----------
    x, y : ndarray, shape (n,), int64
        Raw pixels.
    electrons : ndarray, shape (n,), float32
        Charge in each.
    """

    x: npt.NDArray[np.int64]
    y: npt.NDArray[np.int64]
    electrons: npt.NDArray[np.float32]


def cosmic_rays(count: int, width_px: int, height_px: int, rng: np.random.Generator) -> CosmicRays:
    """Draw particle tracks: short straight lines, mostly 1 to 4 pixels, a few longer.

    Parameters
    ----------
    count : int
        Number of tracks.
    width_px, height_px : int
        Size of the frame.
    rng : numpy.random.Generator

    Returns
    -------
    CosmicRays
        Sorted by row, then column.
    """
    charge = np.zeros(height_px * width_px if count else 0, dtype=np.float32)
    for _ in range(count):
        x, y = rng.uniform(0, width_px), rng.uniform(0, height_px)
        angle = rng.uniform(0, 2 * np.pi)
        length = min(0.5 + rng.exponential(2.5), 18.0)
        total = float(np.exp(rng.uniform(np.log(400.0), np.log(6000.0)))) * max(1.0, length / 2)
        steps = int(np.ceil(length * _STEPS_PER_PIXEL))
        along = (np.arange(steps) + 0.5) / steps * length
        columns = np.floor(x + along * np.cos(angle)).astype(np.int64)
        rows = np.floor(y + along * np.sin(angle)).astype(np.int64)
        on = (columns >= 0) & (columns < width_px) & (rows >= 0) & (rows < height_px)
        np.add.at(charge, rows[on] * width_px + columns[on], np.float32(total / steps))
    hit = np.flatnonzero(charge)
    return CosmicRays(hit % width_px, hit // width_px, charge[hit])


def satellite_light(trail: SatelliteSpec, width_px: int, height_px: int) -> Image:
    """Return the light of a satellite trail.

    Parameters
    ----------
    trail : SatelliteSpec
    width_px, height_px : int
        Size of the frame.

    Returns
    -------
    ndarray, shape (ny, nx), float32
        Electrons.
    """
    distance = trail_distance(trail, width_px, height_px)
    sigma = np.float32(trail.fwhm_px / FWHM_PER_SIGMA)
    return np.asarray(trail.peak_e * np.exp(-0.5 * (distance / sigma) ** 2), dtype=np.float32)


def trail_distance(trail: SatelliteSpec, width_px: int, height_px: int) -> Image:
    """Return the distance of every pixel from the middle line of a trail.

    Parameters
    ----------
    trail : SatelliteSpec
    width_px, height_px : int
        Size of the frame.

    Returns
    -------
    ndarray, shape (ny, nx), float32
        Pixels, positive to the left of the direction of the trail as seen in (x, y).
    """
    angle = np.deg2rad(trail.angle_deg)
    x = (np.arange(width_px) - trail.x_px).astype(np.float32)
    y = (np.arange(height_px)[:, None] - trail.y_px).astype(np.float32)
    return y * np.float32(np.cos(angle)) - x * np.float32(np.sin(angle))
