"""Shape of an invented spiral galaxy: bulge, disc, logarithmic arms, dust lanes, H II regions."""

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
from astropy.table import Table
from scipy import fft, ndimage, special

Image = npt.NDArray[np.float32]
Plane = npt.NDArray[np.floating[Any]]

_TEXTURE = 512


@dataclass(frozen=True)
class SpiralSpec:
    """Settings of a spiral galaxy.

    Attributes
    ----------
    x_px, y_px : float
        Middle, scene pixels.
    scale_px : float
        Exponential scale length of the disc.
    axis_ratio, angle_deg : float
        Minor to major axis, and the direction of the major axis from +x to +y.
    pitch_deg, arm_count : float, int
        Pitch angle of the logarithmic arms and their number.
    disc_e_s, young_e_s, bulge_e_s : float
        Surface brightness in a band of response 1: middle of the disc, arms, middle of the bulge.
    dust : float
        Optical depth of the deepest lanes at 530 nm.
    region_count, region_e_s : int, float
        H II regions, and the line rate of the brightest.
    glow_e_s : float
        Diffuse line light of the arms, per pixel.
    seed : int
    """

    x_px: float
    y_px: float
    scale_px: float = 96.0
    axis_ratio: float = 0.66
    angle_deg: float = 24.0
    pitch_deg: float = 19.0
    arm_count: int = 2
    disc_e_s: float = 1.7
    young_e_s: float = 3.6
    bulge_e_s: float = 22.0
    dust: float = 1.9
    region_count: int = 340
    region_e_s: float = 30.0
    glow_e_s: float = 0.2
    seed: int = 8


@dataclass(frozen=True)
class SpiralFields:
    """Parts of a spiral on a canvas, electrons per second in a band of response 1.

    Attributes
    ----------
    bulge, disc, young : ndarray, shape (ny, nx), float32
        Old stars of the bulge, the disc's stars, and young stars along the arms.
    dust : ndarray, shape (ny, nx), float32
        Optical depth at 530 nm.
    glow : ndarray, shape (ny, nx), float32
        Diffuse ionised gas, 1 at its brightest.
    """

    bulge: Image
    disc: Image
    young: Image
    dust: Image
    glow: Image


def spiral_fields(spec: SpiralSpec, shape: tuple[int, int], margin_px: int) -> SpiralFields:
    """Compute the parts of a spiral galaxy on a canvas.

    Parameters
    ----------
    spec : SpiralSpec
    shape : tuple of int
        (ny, nx) of the canvas.
    margin_px : int
        Canvas beyond the pointed frame.

    Returns
    -------
    SpiralFields
    """
    radius, turn, bulge_radius = _plane(spec, shape, margin_px)
    rng = np.random.default_rng([spec.seed, 1])
    wound = np.log(np.maximum(radius, 0.02)) / np.float32(np.tan(np.deg2rad(spec.pitch_deg)))
    log_radius = np.log(np.maximum(radius, 0.02))
    # Texture runs along the arms: one axis across them, the other slowly outwards.
    across = (turn - wound) / np.float32(2 * np.pi)
    clumps = _texture(rng, 1.15, across * 3, log_radius * 1.1)
    feathers = _texture(rng, 1.0, across * 4, log_radius * 1.6)
    wander = _texture(rng, 2.2, across, log_radius * 0.35)
    phase = spec.arm_count * (turn - wound) + np.float32(0.55) * wander
    fade = special.expit((np.float32(3.7) - radius) / np.float32(0.28))
    inner = 1.0 - np.exp(-((radius / np.float32(0.55)) ** 2))
    disc = np.exp(-radius) * fade
    ridge = _crest(phase, 3.6) + 0.3 * _crest(phase - np.float32(2.6), 6.0)
    clouds = _texture(
        rng, 0.9, radius * np.cos(turn) * np.float32(0.22), radius * np.sin(turn) * np.float32(0.22)
    )
    lumpy = np.exp(np.float32(0.6) * clumps + np.float32(0.42) * clouds - np.float32(0.3))
    young = np.exp(-radius / np.float32(1.45)) * inner * fade * (0.06 + ridge) * lumpy
    lane = _crest(phase - np.float32(0.85), 9.0) + 0.4 * _crest(phase - np.float32(3.5), 6.0)
    veins = np.maximum(feathers - np.float32(0.55), 0) * np.float32(0.75)
    envelope = np.exp(-((radius / np.float32(2.7)) ** 2)) * (
        1.0 - np.exp(-((radius / np.float32(0.22)) ** 2))
    )
    ragged = np.exp(np.float32(0.55) * feathers)
    dust = np.float32(spec.dust) * envelope * (lane * ragged + veins)
    bulge = (1.0 + bulge_radius**2) ** np.float32(-1.55)
    return SpiralFields(
        bulge=np.float32(spec.bulge_e_s) * bulge,
        disc=np.float32(spec.disc_e_s) * disc * (1 + np.float32(0.5) * _crest(phase, 2.0)),
        young=np.float32(spec.young_e_s) * young,
        dust=dust,
        glow=young / np.float32(max(float(young.max()), 1e-9)),
    )


def spiral_regions(spec: SpiralSpec, young: Image, margin_px: int, zero_point: float) -> Table:
    """Draw the H II regions, strewn where the young stars are.

    Parameters
    ----------
    spec : SpiralSpec
    young : ndarray, shape (ny, nx), float32
        Light of young stars on the canvas, see `SpiralFields`.
    margin_px : int
        Canvas beyond the pointed frame.
    zero_point : float
        Magnitude of one electron per second.

    Returns
    -------
    astropy.table.Table
        Columns id, x, y (scene pixels), radius_px, line_e_s, magnitude; brightest first.
    """
    rng = np.random.default_rng([spec.seed, 2])
    count = spec.region_count
    share = np.cumsum(young.ravel().astype(np.float64) ** 2)
    pixel = np.searchsorted(share, rng.random(count) * share[-1]) if count else np.array([], int)
    size = np.sort(rng.power(0.8, count))[::-1]
    line = spec.region_e_s * (0.01 + size**3)
    jitter = np.exp(0.25 * rng.standard_normal(count))
    return Table(
        {
            "id": np.arange(count),
            "x": pixel % young.shape[1] - margin_px + rng.uniform(-0.5, 0.5, count),
            "y": pixel // young.shape[1] - margin_px + rng.uniform(-0.5, 0.5, count),
            "radius_px": (0.8 + 2.8 * size**2) * jitter,
            "line_e_s": line,
            "magnitude": zero_point - 2.5 * np.log10(0.2 * line),
        }
    )


def _plane(spec: SpiralSpec, shape: tuple[int, int], margin_px: int) -> tuple[Plane, Plane, Plane]:
    """Radius (scale lengths) and angle in the plane of the disc, and radius in the bulge."""
    ny, nx = shape
    dx = (np.arange(nx) - margin_px - spec.x_px).astype(np.float32)
    dy = (np.arange(ny)[:, None] - margin_px - spec.y_px).astype(np.float32)
    angle = np.deg2rad(spec.angle_deg)
    cosine, sine = np.float32(np.cos(angle)), np.float32(np.sin(angle))
    along = (dx * cosine + dy * sine) / np.float32(spec.scale_px)
    across = (dy * cosine - dx * sine) / np.float32(spec.scale_px)
    radius = np.hypot(along, across / np.float32(spec.axis_ratio))
    turn = np.arctan2(across / np.float32(spec.axis_ratio), along)
    bulge = np.hypot(along, across / np.float32(0.86)) / np.float32(0.085)
    return radius, turn, bulge


def _crest(phase: Plane, sharpness: float) -> Plane:
    """Periodic crest of height 1 at phase 0 (a von Mises profile)."""
    return np.asarray(np.exp(np.float32(sharpness) * (np.cos(phase) - 1)))


def _texture(rng: np.random.Generator, steepness: float, column: Plane, row: Plane) -> Image:
    """Sample a periodic fractal texture (zero mean, unit variance) at the given periods."""
    waves = fft.rfft2(rng.standard_normal((_TEXTURE, _TEXTURE), dtype=np.float32))
    frequency = np.hypot(fft.rfftfreq(_TEXTURE), fft.fftfreq(_TEXTURE)[:, None])
    frequency[0, 0] = 1.0
    waves *= (frequency**-steepness).astype(np.float32)
    waves[0, 0] = 0.0
    pattern = fft.irfft2(waves, s=(_TEXTURE, _TEXTURE))
    pattern /= pattern.std()
    places = np.stack([np.mod(row, 1) * _TEXTURE, np.mod(column, 1) * _TEXTURE])
    return np.asarray(
        ndimage.map_coordinates(pattern, places, order=1, mode="grid-wrap", output=np.float32)
    )
