"""Drawn subs on their way through `measure_stars` and `register`, for the tables of accuracy.

The subs are drawn as calibrated frames in electrons whose noise is that of the sky and of the light
of the stars; what calibration does to them is measured elsewhere.
"""

import tempfile
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
from assess_subs import assess_subs
from astropy.io import fits
from measure_stars import measure_stars
from register import register

from platefiles.config.lock_file import Lock, lock_text
from platefiles.core.errors import UserError
from platefiles.raw_frames.fingerprint import file_fingerprint
from platefiles.registration.registration_table import RegisteredSub, read_registration
from platefiles.settings.integration import Levelling
from platefiles.settings.measure import Measure
from platefiles.settings.registration import Quality, Registration
from platelib.simulate.psf import add_stars, moffat_image

_COMMON = {"project": "accuracy", "code": "", "below": "", "channel": "g"}
_READ_NOISE_E = 3.0


@dataclass(frozen=True)
class Drawn:
    """A sub to be drawn.

    Attributes
    ----------
    fwhm_px, beta : float
        Of the Moffat profile.
    trail_px : tuple of float
        Drift during the exposure.
    shift_px : tuple of float
        Place of the field in the frame.
    transparency, exposure_s, sky_e : float
        Light of the stars, exposure, and sky of the whole exposure.
    seed : int
    extended : numpy.ndarray or None
        Electrons of extended light.
    correlated_px : float
        Sigma of the kernel that the noise is smoothed with; 0 for white noise.
    cards : dict
        Header.
    """

    fwhm_px: float
    beta: float = 3.3
    trail_px: tuple[float, float] = (0.0, 0.0)
    shift_px: tuple[float, float] = (0.0, 0.0)
    transparency: float = 1.0
    exposure_s: float = 100.0
    sky_e: float = 400.0
    seed: int = 0
    full_well_e: float = 60_000.0
    extended: np.ndarray | None = None
    correlated_px: float = 0.0
    cards: dict[str, Any] = field(default_factory=dict)


@dataclass(frozen=True)
class Field:
    """Stars: places, and electrons per second."""

    x: np.ndarray
    y: np.ndarray
    rate: np.ndarray
    shape: tuple[int, int]


def random_field(
    seed: int, count: int, shape: tuple[int, int], faintest: float = 15.0, slope: float = 0.3
) -> Field:
    """Return stars whose number rises tenfold in ``1 / slope`` magnitudes."""
    rng = np.random.default_rng(seed)
    x = rng.uniform(-20, shape[1] + 20, count)
    y = rng.uniform(-20, shape[0] + 20, count)
    rate = faintest * 10 ** (0.4 * rng.exponential(1 / (slope * np.log(10)), count))
    return Field(x, y, np.minimum(rate, 4e4), shape)


def draw(stars: Field, sub: Drawn) -> np.ndarray:
    """Draw a sub, ``(ny, nx)`` float32, electrons; NaN where the well is full."""
    rng = np.random.default_rng(sub.seed)
    light = np.zeros(stars.shape, dtype=np.float32)
    if sub.extended is not None:
        light += sub.extended
    electrons = stars.rate * sub.exposure_s * sub.transparency
    profile = moffat_image(sub.fwhm_px, sub.beta, sub.trail_px, 40)
    add_stars(light, stars.x + sub.shift_px[0], stars.y + sub.shift_px[1], electrons, profile)
    light += sub.sky_e
    if sub.correlated_px:
        from scipy.ndimage import gaussian_filter

        noise = gaussian_filter(rng.normal(0, 1, stars.shape), sub.correlated_px)
        image = light + noise / noise.std() * np.sqrt(light + _READ_NOISE_E**2)
    else:
        image = rng.poisson(light) + rng.normal(0, _READ_NOISE_E, stars.shape)
    return np.minimum(image, sub.full_well_e).astype(np.float32)


def registered(
    images: Mapping[str, np.ndarray], subs: Mapping[str, Drawn], reference: str, bright: str = ""
) -> tuple[dict[str, RegisteredSub], str]:
    """Measure and register drawn subs.

    Parameters
    ----------
    images, subs : mapping
        By name; the pixels of the subs, and how they were drawn.
    reference, bright : str
        The sub whose pixels are the grid, and that whose brightness counts, by default the same.

    Returns
    -------
    subs : dict of str to RegisteredSub
        Empty where the channel was refused.
    refusal : str
        The sentence then.
    """
    bright = bright or reference
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        for key, image in images.items():
            hdu = fits.PrimaryHDU(image)
            hdu.header.update(subs[key].cards)
            hdu.writeto(folder / f"{key}.fits")
        well = min(sub.full_well_e for sub in subs.values())
        job = _measure_job(images, subs, well)
        measures = folder / "measures" / "g" / "night.fits"
        measures.parent.mkdir(parents=True)
        paths = [folder / f"{key}.fits" for key in images]
        for path, row in zip(paths, job["subs"], strict=True):
            row["fingerprint"] = file_fingerprint(path)
        measure_stars(paths, [], measures, job)
        ny, nx = images[reference].shape
        lock = folder / "lock.yaml"
        lock.write_text(lock_text(Lock(reference, reference, nx, ny, {"g": bright})))
        try:
            night = folder / "night.fits"
            register(measures, [measures], lock, night, _register_job(job))
            assess_subs([night], folder / "r.fits", _assess_job())
        except UserError as error:
            return {}, str(error)
        found, _ = read_registration(folder / "r.fits")
        return {sub.facts["id"]: sub for sub in found}, ""


def _measure_job(images, subs, full_well_e: float) -> dict[str, Any]:
    calibrated = any(sub.cards for sub in subs.values())
    camera = {"gain_e_per_adu": 1.0, "read_noise_e": 3.0, "saturation_adu": full_well_e}
    facts = [
        {
            "id": key,
            "name": key,
            "night": "2026-01-01",
            "fingerprint": key,
            "exposure_s": subs[key].exposure_s,
            "start_utc": "2026-01-01T20:00:00",
            "egain": 1.0,
            **dict.fromkeys(("bias", "dark", "flat")),
            "dark_scale": 1.0,
            "pedestal": 0.0,
            "setting": "",
        }
        for key in images
    ]
    return _COMMON | {
        "settings": {"measure": Measure().model_dump()},
        "night": "2026-01-01",
        "camera": {"calibrated": True} if calibrated else camera,
        "subs": facts,
    }


def _register_job(job: dict[str, Any]) -> dict[str, Any]:
    settings = {
        "registration": Registration().model_dump(),
        "integration": Levelling(background_match="plane").model_dump(),
    }
    calibrated = "calibrated" in job["camera"]
    facts = {"night": "2026-01-01", "calibrated": calibrated, "pins": None}
    return _COMMON | {"settings": settings, **facts}


def _assess_job() -> dict[str, Any]:
    settings = {
        "quality": Quality(max_fwhm_ratio=3).model_dump(),
        "integration": {"weights": "noise"},
    }
    return _COMMON | {"settings": settings, "by_night": []}
