"""Scenes and cameras without faults, and pictures of a scene without noise."""

from dataclasses import replace
from typing import Any

import numpy as np
from scipy.signal import fftconvolve

from platelib.simulate.camera import CameraSpec
from platelib.simulate.exposure import Image
from platelib.simulate.passbands import BandSpec
from platelib.simulate.psf import add_stars, kernel, moffat_image
from platelib.simulate.scene import Scene, SceneSpec, star_rates


def plain_camera(width_px: int, height_px: int, **changes: float) -> CameraSpec:
    """Return the settings of a camera with noise but without any fault.

    Parameters
    ----------
    width_px, height_px : int
        Size of the sensor.
    **changes : float
        Fields of `CameraSpec` to set, to switch single faults on again.

    Returns
    -------
    CameraSpec
    """
    faultless: dict[str, float] = {
        "bias_structure_adu": 0.0,
        "dark_e_s": 0.0,
        "glow_e_s": 0.0,
        "hot_fraction": 0.0,
        "unstable_count": 0,
        "bad_columns": 0,
        "dead_count": 0,
        "pixel_response": 0.0,
        "vignetting": 0.0,
        "dust_count": 0,
    }
    return CameraSpec(width_px, height_px, **(faultless | changes))  # type: ignore[arg-type]


def plain_scene(width_px: int, height_px: int, **changes: Any) -> SceneSpec:
    """Return the settings of a scene of stars alone, in one green band.

    Parameters
    ----------
    width_px, height_px : int
        Size of the pointed frame.
    **changes : object
        Fields of `SceneSpec` to set.

    Returns
    -------
    SceneSpec
    """
    bands = (BandSpec("g", "G", 530.0, 1.0, 180.0, 1.5),)
    return replace(SceneSpec(width_px, height_px, bands, zero_point=21.0), **changes)


def scene_image(scene: Scene, band: str, fwhm_px: float = 2.9, beta: float = 3.3) -> Image:
    """Return a noiseless picture of the scene in one band, as seen through some seeing.

    Parameters
    ----------
    scene : Scene
    band : str
        Name of a band.
    fwhm_px, beta : float
        Seeing.

    Returns
    -------
    ndarray, shape (height_px, width_px), float32
        Electrons per second and pixel on the pointed frame, stars at time 0, without sky.
    """
    star = moffat_image(fwhm_px, beta)
    canvas = fftconvolve(scene.extended[band], kernel(star), mode="same")
    margin = scene.spec.margin_px
    spec = scene.spec
    image = canvas[margin : margin + spec.height_px, margin : margin + spec.width_px]
    image = image.astype(np.float32)
    add_stars(image, scene.stars["x"], scene.stars["y"], star_rates(scene, band, 0.0), star)
    return image
