"""What is left of the channels of the demo when the truth is taken off."""

from dataclasses import dataclass, replace

import numpy as np

from platefiles.fits.products_io import read_image
from platefiles.registration.registration_table import read_registration
from platelib.simulate.camera import build_camera
from platelib.simulate.demo import demo_plan
from platelib.simulate.exposure import object_light
from platelib.simulate.observing_run import plan_frames
from platelib.simulate.scene import build_scene


@dataclass(frozen=True)
class Residual:
    """An integrated channel less the light that the scene sends, over its own noise."""

    significance: np.ndarray
    light: np.ndarray
    noise: np.ndarray
    image: np.ndarray
    scale: float
    usable: np.ndarray


def stem(name: str) -> str:
    """Name of a frame without its ending."""
    return name.removesuffix(".fits")


def apply(matrix, x, y):
    """Places moved by an affine transform."""
    return matrix[0] @ np.stack([x, y, np.ones_like(x)]), matrix[1] @ np.stack(
        [x, y, np.ones_like(x)]
    )


def invert(matrix):
    """The inverse of an affine transform."""
    inverse = np.linalg.inv(matrix[:, :2])
    return np.c_[inverse, -inverse @ matrix[:, 2]]


def onto_grid(demo, frame, x, y):
    """Raw places of a frame as places on the grid."""
    sky = apply(invert(np.array(demo.frames[frame]["matrix"])), x, y)
    return apply(demo.reference, *sky)


def used_subs(demo, channel):
    """Registered subs of a channel that are used, and the shape of the grid."""
    subs, shape = read_registration(demo.results / f"registration/{channel}.fits")
    return [sub for sub in subs if sub.facts["state"] == "used"], shape


def residual_of(demo, channel) -> Residual:
    """What is left of a channel less the drawn scene, and its significance."""
    plan = demo_plan()
    # All bands at one scale, so that each can be drawn on the pixels of the reference.
    bands = tuple(replace(band, scale=1.0) for band in plan.scene.bands)
    scene, camera = build_scene(replace(plan.scene, bands=bands)), build_camera(plan.camera)
    specs = {frame.name: frame.sub for frame in plan_frames(plan) if frame.kind == "light"}
    here = specs[stem(demo.lock.name)]
    subs, shape = used_subs(demo, channel)
    light = np.zeros(shape)
    for sub in subs:
        spec = specs[stem(sub.facts["name"])]
        seen = replace(here, band=channel, fwhm_px=spec.fwhm_px, beta=spec.beta)
        light += sub.facts["weight"] * object_light(scene, camera, seen)
    light /= sum(sub.facts["weight"] for sub in subs)
    image, _ = read_image(demo.results / f"channels/{channel}.fits")
    variance, _ = read_image(demo.results / f"channels/{channel}.fits", "VAR")
    usable = np.isfinite(image) & steady_light(demo, shape)
    y, x = (np.indices(shape) - np.array(shape)[:, None, None] / 2) / max(shape)
    basis = np.stack([light, np.ones(shape), x, y, x * x, x * y, y * y], axis=-1)[usable]
    weight = 1 / (variance + (0.02 * light) ** 2)[usable]
    fit = np.linalg.solve(
        (basis * weight[:, None]).T @ basis, (basis * weight[:, None]).T @ image[usable]
    )
    difference = np.full(shape, np.nan)
    difference[usable] = image[usable] - basis @ fit
    return Residual(difference / np.sqrt(variance), light, np.sqrt(variance), image, fit[0], usable)


def steady_light(demo, shape) -> np.ndarray:
    """Pixels away from the edges, from the object that moves and from the star that varies."""
    y, x = np.indices(shape)
    steady = (np.minimum(x, shape[1] - 1 - x) >= 25) & (np.minimum(y, shape[0] - 1 - y) >= 25)
    variable = demo.stars[np.array(demo.stars["variable"])]
    places = [apply(demo.reference, float(s["x"]), float(s["y"])) for s in variable]
    for name, frame in demo.frames.items():
        if frame["kind"] == "light" and frame.get("mover"):
            places.append(onto_grid(demo, name, *frame["mover"][:2]))
    for px, py in places:
        steady &= np.hypot(x - px, y - py) > 25
    return steady


def spread(values) -> float:
    """Standard deviation of normal values, by their median deviation."""
    return 1.4826 * float(np.median(np.abs(values - np.median(values))))
