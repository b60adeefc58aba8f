"""One exposure of a simulated sky: scene, pointing, seeing, sky light, stray tracks, camera.

Everything random in a frame comes from the generator that is handed in, so frames can be drawn
in any order and on any number of workers.
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import fft, ndimage

from platelib.simulate.camera import Camera, light_response, read_out
from platelib.simulate.passbands import SUN_K, flux_ratio
from platelib.simulate.psf import StarImage, add_stars, kernel, moffat_image
from platelib.simulate.scene import Scene, mover_place, star_rates
from platelib.simulate.sub import (
    Matrix,
    SubSpec,
    apply_transform,
    relative_sky,
    sky_polynomial,
    transform,
)
from platelib.simulate.tracks import CosmicRays, cosmic_rays, satellite_light

Image = npt.NDArray[np.float32]

_MOVER_STEPS = 9


@dataclass(frozen=True)
class LightTruth:
    """The truth of one light exposure.

    Attributes
    ----------
    matrix : ndarray, shape (2, 3), float64
        Raw place ``matrix[:, :2] @ (x, y) + matrix[:, 2]`` of the scene place (x, y).
    sky_e_s : float
        Sky in the middle of the scene, electrons per second and pixel, before the response.
    sky_polynomial : tuple of float
        Relative sky at raw (x, y): c0 + c1 x + c2 y + c3 (x^2 + y^2), with x, y from the middle of
        the frame.
    variable_e_s : float or None
        Rate of the variable star, before transparency.
    mover : tuple of float or None
        Raw x, y of the moving object at mid exposure, and its rate before transparency, e-/s.
    cosmic_rays : CosmicRays
        Pixels hit and their charge.
    """

    matrix: Matrix
    sky_e_s: float
    sky_polynomial: tuple[float, float, float, float]
    variable_e_s: float | None
    mover: tuple[float, float, float] | None
    cosmic_rays: CosmicRays


def object_light(scene: Scene, camera: Camera, sub: SubSpec) -> Image:
    """Return the light of all objects in the sky as it falls on the sensor.

    Parameters
    ----------
    scene : Scene
    camera : Camera
    sub : SubSpec

    Returns
    -------
    ndarray, shape (ny, nx), float32
        Electrons per second and pixel, before transparency and the response of the camera.
    """
    star = moffat_image(sub.fwhm_px, sub.beta, sub.trail_px)
    matrix = transform(scene.spec, camera.spec, sub)
    light = _resampled(scene, camera, sub, matrix)
    x, y = apply_transform(matrix, scene.stars["x"], scene.stars["y"])
    add_stars(light, x, y, star_rates(scene, sub.band, sub.mid_time_h), star)
    if scene.spec.mover is not None:
        _add_mover(light, scene, sub, matrix, star)
    return light


def expected_electrons(scene: Scene, camera: Camera, sub: SubSpec) -> Image:
    """Return the expected signal of a sub without noise, cosmic rays, telegraph pixels and bias.

    Parameters
    ----------
    scene : Scene
    camera : Camera
    sub : SubSpec

    Returns
    -------
    ndarray, shape (ny, nx), float32
        Electrons: objects, sky and satellite through the camera's response, and dark current.
    """
    polynomial = sky_polynomial(scene.spec, sub, transform(scene.spec, camera.spec, sub))
    light = object_light(scene, camera, sub) * np.float32(sub.transparency)
    light += relative_sky(camera.spec, polynomial) * np.float32(_sky_rate(scene, sub))
    electrons = light * np.float32(sub.exposure_s)
    if sub.satellite is not None:
        electrons += satellite_light(sub.satellite, camera.spec.width_px, camera.spec.height_px)
    electrons *= light_response(camera, sub.night.dust_seed)
    electrons += camera.dark_e_s * np.float32(sub.exposure_s)
    return electrons


def draw_light(
    scene: Scene, camera: Camera, sub: SubSpec, rng: np.random.Generator
) -> tuple[npt.NDArray[np.uint16], LightTruth]:
    """Draw one light exposure.

    Parameters
    ----------
    scene : Scene
    camera : Camera
    sub : SubSpec
    rng : numpy.random.Generator
        Source of the noise and of the particle tracks.

    Returns
    -------
    raw : ndarray, shape (ny, nx), uint16
    truth : LightTruth
    """
    spec = camera.spec
    electrons = expected_electrons(scene, camera, sub)
    rays = cosmic_rays(sub.cosmic_rays, spec.width_px, spec.height_px, rng)
    electrons[rays.y, rays.x] += rays.electrons
    raw = read_out(camera, electrons, rng)
    matrix = transform(scene.spec, spec, sub)
    truth = LightTruth(
        matrix,
        _sky_rate(scene, sub),
        sky_polynomial(scene.spec, sub, matrix),
        _variable_rate(scene, sub),
        _mover(scene, sub, matrix),
        rays,
    )
    return raw, truth


def _sky_rate(scene: Scene, sub: SubSpec) -> float:
    """Sky in the middle of the scene, electrons per second and pixel."""
    night_factor = sub.night.sky_factor.get(sub.band, 1.0)
    return scene.bands[sub.band].sky_e_s * sub.sky_factor * night_factor


def _blurred(canvas: Image, seeing: Image) -> Image:
    """Blur by the seeing; what wraps round the edge stays within the seeing's radius of it."""
    ny, nx = canvas.shape
    radius = seeing.shape[0] // 2
    padded = np.zeros(canvas.shape, dtype=np.float32)
    padded[: seeing.shape[0], : seeing.shape[1]] = seeing
    padded = np.roll(padded, (-radius, -radius), axis=(0, 1))
    return np.asarray(fft.irfft2(fft.rfft2(canvas) * fft.rfft2(padded), s=(ny, nx)))


def _resampled(scene: Scene, camera: Camera, sub: SubSpec, matrix: Matrix) -> Image:
    """Blur the extended light by the seeing and read it at the places of the raw pixels."""
    shape = (camera.spec.height_px, camera.spec.width_px)
    canvas = scene.extended[sub.band]
    if not canvas.any():
        return np.zeros(shape, dtype=np.float32)
    inverse = np.linalg.inv(matrix[:, :2])
    drift = inverse @ np.array(sub.trail_px)
    seeing = kernel(moffat_image(sub.fwhm_px, sub.beta, (float(drift[0]), float(drift[1]))))
    splines = ndimage.spline_filter(_blurred(canvas, seeing), 3, output=np.float32)
    offset = scene.spec.margin_px - inverse @ matrix[:, 2]
    light = ndimage.affine_transform(
        splines,
        inverse[::-1, ::-1],
        offset[::-1],
        output_shape=shape,
        output=np.float32,
        order=3,
        mode="nearest",
        prefilter=False,
    )
    area = np.float32(abs(np.linalg.det(inverse)))
    return np.asarray(np.maximum(light, 0) * area)


def _add_mover(light: Image, scene: Scene, sub: SubSpec, matrix: Matrix, star: StarImage) -> None:
    """Add the moving object, smeared along its way during the exposure."""
    assert scene.spec.mover is not None
    rate = _mover_rate(scene, sub) / _MOVER_STEPS
    steps = (np.arange(_MOVER_STEPS) + 0.5) / _MOVER_STEPS - 0.5
    for step in steps:
        hours = sub.mid_time_h + step * sub.exposure_s / 3600.0
        x, y = apply_transform(matrix, *mover_place(scene.spec.mover, hours))
        add_stars(light, x, y, rate, star)


def _mover_rate(scene: Scene, sub: SubSpec) -> float:
    """Rate of the moving object, sunlight in colour."""
    assert scene.spec.mover is not None
    reference = 10.0 ** (-0.4 * (scene.spec.mover.magnitude - scene.spec.zero_point))
    return float(reference * flux_ratio(scene.bands[sub.band], SUN_K))


def _mover(scene: Scene, sub: SubSpec, matrix: Matrix) -> tuple[float, float, float] | None:
    """Raw place at mid exposure and rate of the moving object."""
    if scene.spec.mover is None:
        return None
    x, y = apply_transform(matrix, *mover_place(scene.spec.mover, sub.mid_time_h))
    return float(x), float(y), _mover_rate(scene, sub)


def _variable_rate(scene: Scene, sub: SubSpec) -> float | None:
    """Rate of the variable star at mid exposure."""
    if scene.spec.variable is None:
        return None
    rates = star_rates(scene, sub.band, sub.mid_time_h)
    return float(rates[np.asarray(scene.stars["variable"])][0])
