"""An observing plan: the frames of a simulated imager, with times and faults."""

from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from typing import Any

import numpy as np
import numpy.typing as npt

from platelib.astrometry.celestial import tangent_plane
from platelib.simulate.camera import CameraSpec
from platelib.simulate.scene import SceneSpec
from platelib.simulate.sub import NightSpec, SubSpec

_GAP_S = 10.0
_RAYS_PER_MPX_HOUR = 60.0


@dataclass(frozen=True)
class InstrumentSpec:
    """Header values of the simulated camera, telescope, site and target."""

    camera: str = "Heronmere M15"
    telescope: str = "Fenwick 250 f/3.2"
    target: str = "Thistledown Spiral"
    ra_deg: float = 158.6
    dec_deg: float = 30.0
    focal_length_mm: float = 800.0
    aperture_mm: float = 250.0
    pixel_size_um: float = 9.0
    gain_setting: int = 120
    offset_setting: int = 50
    temperature_c: float = -10.0
    latitude_deg: float = 46.2
    longitude_deg: float = 14.1

    @property
    def scale_arcsec(self) -> float:
        """Scale of the scene, arc seconds per pixel."""
        return float(np.rad2deg(self.pixel_size_um / self.focal_length_mm * 1e-3) * 3600.0)


@dataclass(frozen=True)
class NightPlan:
    """One night: sky, start, and blocks of subs.

    Attributes
    ----------
    night : NightSpec
    start_utc : str
        Start of the first sub, ISO 8601.
    blocks : tuple of (str, int, bool)
        Band, number of subs, whether before the meridian (flipped).
    rotation_deg : float
        How the camera was mounted that night.
    fwhm_px : float
        Usual seeing.
    """

    night: NightSpec
    start_utc: str
    blocks: tuple[tuple[str, int, bool], ...]
    rotation_deg: float = 0.0
    fwhm_px: float = 2.9


@dataclass(frozen=True)
class PlanSpec:
    """A whole observation.

    Attributes
    ----------
    name : str
    seed : int
        Seed of pointings, seeing and noise.
    scene : SceneSpec
    camera : CameraSpec
    instrument : InstrumentSpec
    nights : tuple of NightPlan
    calibration_utc : str
        When the bias and dark frames were begun.
    bias_count, dark_count, flat_count : int
        Bias frames; darks of each exposure; flats of each band and night.
    dither_px : float
        Largest dither along either axis.
    changes : dict of str to dict
        Fields of single subs to change, by frame name such as ``2026-03-23/g-04``.
    """

    name: str
    seed: int
    scene: SceneSpec
    camera: CameraSpec
    instrument: InstrumentSpec
    nights: tuple[NightPlan, ...]
    calibration_utc: str
    bias_count: int
    dark_count: int
    flat_count: int
    dither_px: float = 15.0
    changes: dict[str, dict[str, Any]] = field(default_factory=dict)


@dataclass(frozen=True)
class FrameSpec:
    """One raw frame to be drawn.

    Attributes
    ----------
    name : str
        Path inside the raw folder, without the ending; unique.
    kind : str
        "bias", "dark", "flat" or "light".
    exposure_s : float
    start_utc : str
        ISO 8601 with milliseconds.
    band : str
        Name of the band, "" for bias and dark frames.
    sub : SubSpec or None
        Of a light frame.
    dust_seed, level_e
        Of a flat frame.
    """

    name: str
    kind: str
    exposure_s: float
    start_utc: str
    band: str = ""
    sub: SubSpec | None = None
    dust_seed: int = 0
    level_e: float = 0.0


def plan_frames(plan: PlanSpec) -> tuple[FrameSpec, ...]:
    """List every frame of a plan, lights in the order of time.

    Parameters
    ----------
    plan : PlanSpec

    Returns
    -------
    tuple of FrameSpec

    Raises
    ------
    ValueError
        If `plan.changes` names a frame that is not a light of the plan.
    """
    frames: list[FrameSpec] = []
    for number, night in enumerate(plan.nights):
        frames += _lights(plan, number, night)
    unknown = sorted(set(plan.changes) - {frame.name for frame in frames})
    if unknown:
        msg = f"changes name lights that the plan does not have: {', '.join(unknown)}"
        raise ValueError(msg)
    for night in plan.nights:
        frames += _flats(plan, night)
    return tuple(frames + _bias_and_darks(plan))


def time_zero(plan: PlanSpec) -> datetime:
    """Return time 0 of the plan's scene: the start of the first night (UTC, without a zone)."""
    return datetime.fromisoformat(plan.nights[0].start_utc)


def scene_to_sky(
    plan: PlanSpec, x: npt.ArrayLike, y: npt.ArrayLike
) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.float64]]:
    """Return celestial coordinates of scene places: gnomonic, +y is north, +x is west.

    Parameters
    ----------
    plan : PlanSpec
    x, y : array_like
        Scene pixels.

    Returns
    -------
    ra_deg, dec_deg : ndarray, float64

    References
    ----------
    Calabretta & Greisen (2002), A&A 395, 1077, section 5.1.3.
    """
    step = np.deg2rad(plan.instrument.scale_arcsec / 3600.0)
    west = (np.asarray(x, dtype=np.float64) - (plan.scene.width_px - 1) / 2) * step
    north = (np.asarray(y, dtype=np.float64) - (plan.scene.height_px - 1) / 2) * step
    dec0 = np.deg2rad(plan.instrument.dec_deg)
    below = np.cos(dec0) - north * np.sin(dec0)
    ra = np.rad2deg(np.arctan2(-west, below)) + plan.instrument.ra_deg
    rise = np.sin(dec0) + north * np.cos(dec0)
    return np.mod(ra, 360.0), np.rad2deg(np.arctan2(rise, np.hypot(west, below)))


def sky_to_scene(
    spec: InstrumentSpec, size_px: tuple[int, int], ra_deg: npt.ArrayLike, dec_deg: npt.ArrayLike
) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.float64]]:
    """Return scene places of celestial coordinates; the inverse of `scene_to_sky`.

    Parameters
    ----------
    spec : InstrumentSpec
    size_px : tuple of int
        Width and height of the scene.
    ra_deg, dec_deg : array_like
    """
    xi, eta, _ = tangent_plane(ra_deg, dec_deg, spec.ra_deg, spec.dec_deg)
    step = spec.scale_arcsec / 3600.0
    return (size_px[0] - 1) / 2 - xi / step, (size_px[1] - 1) / 2 + eta / step


def _lights(plan: PlanSpec, number: int, night: NightPlan) -> list[FrameSpec]:
    """Light frames of one night, with dithers, seeing and transparency drawn from the seed."""
    rng = np.random.default_rng([plan.seed, 5, number])
    bands = {band.name: band for band in plan.scene.bands}
    area = plan.camera.width_px * plan.camera.height_px / 1e6
    start = datetime.fromisoformat(night.start_utc)
    counts = dict.fromkeys(bands, 0)
    frames = []
    for band, count, flipped in night.blocks:
        exposure = bands[band].exposure_s
        for _ in range(count):
            counts[band] += 1
            name = f"{night.night.name}/{band}-{counts[band]:02d}"
            middle = start + timedelta(seconds=exposure / 2)
            mean_rays = 4.0 * min(area, 1.0) + _RAYS_PER_MPX_HOUR * area * exposure / 3600.0
            sub = SubSpec(
                band=band,
                exposure_s=exposure,
                night=night.night,
                mid_time_h=(middle - time_zero(plan)).total_seconds() / 3600.0,
                dither_px=(
                    float(rng.uniform(-plan.dither_px, plan.dither_px)),
                    float(rng.uniform(-plan.dither_px, plan.dither_px)),
                ),
                rotation_deg=night.rotation_deg + float(rng.uniform(-0.02, 0.02)),
                flipped=flipped,
                transparency=float(rng.uniform(0.94, 1.0)),
                fwhm_px=float(np.clip(night.fwhm_px + 0.18 * rng.standard_normal(), 2.5, 3.7)),
                cosmic_rays=int(rng.poisson(mean_rays)),
            )
            sub = replace(sub, **plan.changes.get(name, {}))
            frames.append(FrameSpec(name, "light", exposure, _stamp(start), band, sub))
            start += timedelta(seconds=exposure + _GAP_S)
        start += timedelta(seconds=75)
    return frames


def _flats(plan: PlanSpec, night: NightPlan) -> list[FrameSpec]:
    """Flats of one night, taken before its first sub."""
    start = datetime.fromisoformat(night.start_utc) - timedelta(hours=1, minutes=30)
    rng = np.random.default_rng([plan.seed, 6, night.night.dust_seed])
    frames = []
    for band in plan.scene.bands:
        exposure = 6.0 if band.line else 2.0
        for k in range(plan.flat_count):
            frames.append(
                FrameSpec(
                    f"{night.night.name}/flat-{band.name}-{k + 1:02d}",
                    "flat",
                    exposure,
                    _stamp(start),
                    band.name,
                    dust_seed=night.night.dust_seed,
                    level_e=28000.0 * float(rng.uniform(0.97, 1.03)),
                )
            )
            start += timedelta(seconds=exposure + 3)
    return frames


def _bias_and_darks(plan: PlanSpec) -> list[FrameSpec]:
    """Bias frames, then darks of every exposure of the lights."""
    start = datetime.fromisoformat(plan.calibration_utc)
    exposures = sorted({band.exposure_s for band in plan.scene.bands})
    jobs = [("bias", 0.0, plan.bias_count)]
    jobs += [("dark", exposure, plan.dark_count) for exposure in exposures]
    frames = []
    for kind, exposure, count in jobs:
        series = kind if kind == "bias" else f"{kind}-{exposure:g}s"
        for k in range(count):
            name = f"calibration/{series}-{k + 1:02d}"
            frames.append(FrameSpec(name, kind, exposure, _stamp(start)))
            start += timedelta(seconds=exposure + 2)
    return frames


def _stamp(moment: datetime) -> str:
    """Time as header cards write it."""
    return moment.isoformat(timespec="milliseconds")
