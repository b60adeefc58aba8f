"""A mono CMOS camera with its faults: from expected electrons to counts."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Image = npt.NDArray[np.float32]

_POISSON_BELOW_E = 200.0
_FULL_SCALE_ADU = 65535


@dataclass(frozen=True)
class CameraSpec:
    """Settings of a simulated camera and of the light path in front of it.

    Attributes
    ----------
    width_px, height_px : int
        Size of the sensor.
    seed : int
        Seed of everything fixed in the sensor: bias structure, hot pixels, pixel response.
    gain_e_per_adu, read_noise_e, bias_adu : float
        Electrons per count, read noise in electrons, mean bias level in counts.
    bias_structure_adu : float
        Standard deviation of the fixed column pattern; rows have a third of it.
    dark_e_s : float
        Median dark current, electrons per second and pixel at the set temperature.
    glow_e_s, glow_px : float
        Amplifier glow: rate in the lower right corner, and its e-folding length.
    hot_fraction, hot_e_s : float
        Share of hot pixels, and the (least, most) rate of one.
    unstable_count, unstable_e : int, float
        Telegraph pixels, and the charge by which one jumps in about half of the exposures.
    bad_columns, dead_count : int
        Columns with a third of the response and a raised dark current; pixels blind to light.
    pixel_response : float
        Standard deviation of the sensitivity of single pixels (0.007 is usual for CMOS).
    vignetting : float
        Share of the light lost in the corners.
    dust_count : int
        Dust shadows of each night.
    """

    width_px: int = 1440
    height_px: int = 1040
    seed: int = 11
    gain_e_per_adu: float = 0.85
    read_noise_e: float = 3.0
    bias_adu: float = 500.0
    bias_structure_adu: float = 1.5
    dark_e_s: float = 0.004
    glow_e_s: float = 0.12
    glow_px: float = 90.0
    hot_fraction: float = 5e-4
    hot_e_s: tuple[float, float] = (0.2, 60.0)
    unstable_count: int = 40
    unstable_e: float = 250.0
    bad_columns: int = 1
    dead_count: int = 12
    pixel_response: float = 0.007
    vignetting: float = 0.3
    dust_count: int = 7


@dataclass(frozen=True)
class Camera:
    """A camera as built: every fixed pattern as an image.

    Attributes
    ----------
    spec : CameraSpec
    bias_adu : ndarray, shape (ny, nx), float32
        Mean bias of each pixel, counts.
    dark_e_s : ndarray, shape (ny, nx), float32
        Dark current and glow, electrons per second.
    response : ndarray, shape (ny, nx), float32
        Sensitivity of pixels times vignetting, without dust.
    hot, unstable, dead : ndarray, shape (n, 2), int64
        (x, y) of hot, telegraph and blind pixels.
    bad_columns : ndarray, shape (n,), int64
        x of the bad columns.
    """

    spec: CameraSpec
    bias_adu: Image
    dark_e_s: Image
    response: Image
    hot: npt.NDArray[np.int64]
    unstable: npt.NDArray[np.int64]
    dead: npt.NDArray[np.int64]
    bad_columns: npt.NDArray[np.int64]


def build_camera(spec: CameraSpec) -> Camera:
    """Build the fixed patterns of a camera; the same settings give the same camera.

    Parameters
    ----------
    spec : CameraSpec

    Returns
    -------
    Camera
    """
    rng = np.random.default_rng([spec.seed, 1])
    ny, nx = spec.height_px, spec.width_px
    sigma = spec.bias_structure_adu
    bias = np.full((ny, nx), spec.bias_adu, dtype=np.float32)
    bias += (sigma * rng.standard_normal(nx)).astype(np.float32)
    bias += (sigma / 3 * rng.standard_normal((ny, 1))).astype(np.float32)
    dark = (spec.dark_e_s * rng.lognormal(0.0, 0.35, (ny, nx))).astype(np.float32)
    dark += _glow(spec)
    places = rng.permutation(nx * ny)
    counts = [round(spec.hot_fraction * nx * ny), spec.unstable_count, spec.dead_count]
    hot, unstable, dead = np.split(places[: sum(counts)], np.cumsum(counts)[:2])
    low, high = np.log(spec.hot_e_s)
    dark.flat[hot] += np.exp(rng.uniform(low, high, hot.size)).astype(np.float32)
    columns = np.sort(rng.permutation(np.arange(nx // 8, nx - nx // 8))[: spec.bad_columns])
    response = (1.0 + spec.pixel_response * rng.standard_normal((ny, nx))).astype(np.float32)
    response *= 1.0 - np.float32(spec.vignetting) * _corner_distance(spec) ** 2
    response[:, columns] *= 0.33
    dark[:, columns] += 4.0 * spec.dark_e_s
    response.flat[dead] = 0.02
    return Camera(
        spec, bias, dark, response, _xy(hot, nx), _xy(unstable, nx), _xy(dead, nx), columns
    )


def light_response(camera: Camera, dust_seed: int) -> Image:
    """Return the response to even light: pixels, vignetting and the dust of one night.

    Parameters
    ----------
    camera : Camera
    dust_seed : int
        Where the dust lies; each night has its own.

    Returns
    -------
    ndarray, shape (ny, nx), float32
        1 is an unshaded pixel of average sensitivity.
    """
    spec = camera.spec
    rng = np.random.default_rng([spec.seed, 2, dust_seed])
    response = camera.response.copy()
    for _ in range(spec.dust_count):
        x, y = rng.uniform(0, spec.width_px), rng.uniform(0, spec.height_px)
        radius = rng.uniform(9.0, 24.0)
        depth = rng.uniform(0.04, 0.12)
        _shade(response, x, y, radius, depth)
    return response


def read_out(camera: Camera, electrons: Image, rng: np.random.Generator) -> npt.NDArray[np.uint16]:
    """Turn expected electrons into the counts that one exposure gives.

    Shot noise, jumps of the telegraph pixels, read noise, gain, bias and the limits of 16 bits.
    Shot noise is Poisson below 200 electrons and normal above, where the two hardly differ.

    Parameters
    ----------
    camera : Camera
    electrons : ndarray, shape (ny, nx), float32
        Expected electrons of light and dark current.
    rng : numpy.random.Generator
        Source of the noise.

    Returns
    -------
    ndarray, shape (ny, nx), uint16
        Counts.

    References
    ----------
    Howell, Handbook of CCD Astronomy, section 4.3 (noise model; from memory).
    """
    spec = camera.spec
    values = np.array(electrons, dtype=np.float32)
    few = values < _POISSON_BELOW_E
    few_values = rng.poisson(values[few])
    shot = rng.standard_normal(values.shape, dtype=np.float32)
    values += np.sqrt(np.maximum(values, 0)) * shot
    values[few] = few_values
    jumps = rng.random(len(camera.unstable)) < 0.5
    x, y = camera.unstable[jumps].T
    values[y, x] += spec.unstable_e
    values += np.float32(spec.read_noise_e) * rng.standard_normal(values.shape, dtype=np.float32)
    values /= np.float32(spec.gain_e_per_adu)
    values += camera.bias_adu
    np.rint(values, out=values)
    return np.clip(values, 0, _FULL_SCALE_ADU).astype(np.uint16)


def draw_bias(camera: Camera, rng: np.random.Generator) -> npt.NDArray[np.uint16]:
    """Draw a bias frame.

    Parameters
    ----------
    camera : Camera
    rng : numpy.random.Generator

    Returns
    -------
    ndarray, shape (ny, nx), uint16
    """
    return read_out(camera, np.zeros_like(camera.bias_adu), rng)


def draw_dark(
    camera: Camera, exposure_s: float, rng: np.random.Generator
) -> npt.NDArray[np.uint16]:
    """Draw a dark frame.

    Parameters
    ----------
    camera : Camera
    exposure_s : float
        Exposure, seconds.
    rng : numpy.random.Generator

    Returns
    -------
    ndarray, shape (ny, nx), uint16
    """
    return read_out(camera, camera.dark_e_s * np.float32(exposure_s), rng)


def draw_flat(
    camera: Camera,
    exposure_s: float,
    rng: np.random.Generator,
    *,
    dust_seed: int = 0,
    level_e: float = 28000.0,
) -> npt.NDArray[np.uint16]:
    """Draw a flat frame.

    Parameters
    ----------
    camera : Camera
    exposure_s : float
        Exposure, seconds; it sets only the dark current.
    rng : numpy.random.Generator
    dust_seed : int
        Dust of the night.
    level_e : float
        Light on an unshaded pixel, electrons.

    Returns
    -------
    ndarray, shape (ny, nx), uint16
    """
    light = light_response(camera, dust_seed) * np.float32(level_e)
    return read_out(camera, light + camera.dark_e_s * np.float32(exposure_s), rng)


def _xy(places: npt.NDArray[np.int64], nx: int) -> npt.NDArray[np.int64]:
    """Turn flat indices into columns x and y."""
    return np.column_stack([places % nx, places // nx])


def _corner_distance(spec: CameraSpec) -> Image:
    """Distance from the middle of the sensor, 1 in the corners."""
    x = (np.arange(spec.width_px, dtype=np.float32) - (spec.width_px - 1) / 2) ** 2
    y = (np.arange(spec.height_px, dtype=np.float32) - (spec.height_px - 1) / 2) ** 2
    return np.asarray(np.sqrt((x + y[:, None]) / (x[0] + y[0])))


def _glow(spec: CameraSpec) -> Image:
    """Amplifier glow that falls off from the lower right corner."""
    x = spec.width_px - 1 - np.arange(spec.width_px, dtype=np.float32)
    y = spec.height_px - 1 - np.arange(spec.height_px, dtype=np.float32)
    distance = np.hypot(x, y[:, None])
    return np.float32(spec.glow_e_s) * np.exp(-distance / np.float32(spec.glow_px))


def _shade(response: Image, x: float, y: float, radius: float, depth: float) -> None:
    """Darken the ring-shaped shadow of a dust grain far out of focus, in place."""
    ny, nx = response.shape
    reach = radius + 4.0
    rows = np.arange(max(0, int(y - reach)), min(ny, int(y + reach) + 2))
    columns = np.arange(max(0, int(x - reach)), min(nx, int(x + reach) + 2))
    distance = np.hypot(columns - x, rows[:, None] - y)
    outer = 1.0 / (1.0 + np.exp((distance - radius) / 0.8))
    inner = 1.0 / (1.0 + np.exp((distance - 0.35 * radius) / 0.8))
    shadow = (1.0 - depth * (outer - inner)).astype(np.float32)
    response[rows[0] : rows[-1] + 1, columns[0] : columns[-1] + 1] *= shadow
