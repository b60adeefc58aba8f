"""Measurements of a sub, as rows of the tables of `measure_stars`."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from platefiles.raw_frames.raw_frame import RawImage
from platefiles.subs.measure_sub import SampledSky
from platefiles.subs.measured_wcs import world_row
from platelib.background.mesh import Mesh
from platelib.calibration.calibrate import Detector
from platelib.calibration.photon_transfer import GainChoice
from platelib.calibration.saturation_level import NO_CORES, NO_PIXELS, Brightest, LostCores
from platelib.detection.star_table import STAR
from platelib.detection.star_widths import GROUP
from platelib.registration.sub_state import SubState

_SATURATED_SHARE = 0.5
_EXCESS_WORTH_COUNTING = 1.15
_SHAPE_STARS = 100
_TOPS_KEPT = 64


@dataclass(frozen=True)
class MeasuredSub:
    """A row of ``SUBS`` with stars, sky and brightest pixels; ``remark`` is for the log."""

    row: dict[str, Any]
    stars: np.ndarray
    mesh: Mesh
    remark: str
    tops: Brightest = NO_PIXELS
    cores: LostCores = NO_CORES


def blank_row(facts: Mapping[str, Any]) -> dict[str, Any]:
    """Return the row of ``SUBS`` of an unmeasured sub, from its job's facts."""
    return {
        "id": facts["id"],
        "name": facts["name"],
        "night": facts["night"],
        "setting": facts["setting"],
        "sha256": "",
        "sums": "",
        "start_utc": facts["start_utc"],
        "exposure_s": float(facts["exposure_s"]),
        "state": SubState.MEASURED,
        "reason": "",
        "width_px": 0,
        "height_px": 0,
        "stars": 0,
        "fwhm_px": np.nan,
        "ellipticity": np.nan,
        "aperture_px": np.nan,
        "sky": np.nan,
        "noise": np.nan,
        "excess": 1.0,
        "gain": np.nan,
        "gain_error": 0.0,
        "gain_source": "",
        "light_variance": 0.0,
        "read_noise": np.nan,
        "saturation_adu": np.nan,
        "pile_up_adu": 0.0,
        "top_adu": 0.0,
        "bias": facts["bias"] or "none",
        "dark": facts["dark"] or "none",
        "flat": facts["flat"] or "none",
        "world": world_row(None),
    }


def fill_sky(
    row: dict[str, Any],
    image: RawImage,
    detector: Detector,
    gain: GainChoice,
    sky: SampledSky,
) -> None:
    """Fill in the sky, its noise and the facts of the detector; mark a saturated sub."""
    row["height_px"], row["width_px"] = image.shape
    row["sky"] = float(f"{np.median(sky.mesh.level):.6g}")
    row["noise"] = noise = float(f"{np.median(sky.mesh.noise):.6g}")
    row["gain"], row["gain_source"] = gain.value, gain.source
    row["read_noise"] = detector.read_noise
    if detector.gain > 0 and sky.model_variance > 0:
        excess = noise**2 / sky.model_variance
        row["excess"] = float(f"{excess:.6g}") if excess > _EXCESS_WORTH_COUNTING else 1.0
    if sky.saturated > _SATURATED_SHARE:
        row["state"], row["reason"] = (
            SubState.SATURATED,
            "more than half of the pixels are saturated",
        )


def fill_shape(row: dict[str, Any], stars: np.ndarray, fwhm_px: float) -> None:
    """Fill in the median FWHM and ellipticity of the typical stars."""
    good = stars[stars["flags"] == 0]
    usual = good[np.abs(np.log(good["fwhm"] / fwhm_px)) <= GROUP][:_SHAPE_STARS]
    if len(usual):
        row["fwhm_px"] = float(np.median(usual["fwhm"]))
        row["ellipticity"] = float(np.median(usual["ellipticity"]))


def star_columns(subs: Sequence[MeasuredSub]) -> dict[str, np.ndarray]:
    """Return the columns of ``STARS``: one row per star, with the number of its sub."""
    numbers = np.repeat(np.arange(len(subs), dtype=np.int32), [len(sub.stars) for sub in subs])
    stars = np.concatenate([sub.stars for sub in subs])
    return {"sub": numbers} | {name: stars[name] for name in STAR.names or ()}


def top_columns(subs: Sequence[MeasuredSub]) -> dict[str, np.ndarray]:
    """Return the columns of ``TOPS``: one row per brightest pixel of a sub."""
    kept = [min(len(sub.tops.values), _TOPS_KEPT) for sub in subs]
    parts = [(sub.tops, np.s_[:count]) for sub, count in zip(subs, kept, strict=True)]
    return {
        "sub": np.repeat(np.arange(len(subs), dtype=np.int32), kept),
        "x": np.concatenate([tops.x[part] for tops, part in parts]),
        "y": np.concatenate([tops.y[part] for tops, part in parts]),
        "value": np.concatenate([tops.values[part] for tops, part in parts]),
    }


def sky_columns(subs: Sequence[MeasuredSub]) -> dict[str, np.ndarray]:
    """Return the columns of ``SKY``: one row per cell of the sky mesh of a sub."""
    cells = [np.indices(sub.mesh.level.shape, dtype=np.int32).reshape(2, -1) for sub in subs]
    numbers = np.arange(len(subs), dtype=np.int32)
    rows, columns = np.concatenate(cells, axis=1)
    return {
        "sub": np.repeat(numbers, [sub.mesh.level.size for sub in subs]),
        "row": rows,
        "column": columns,
        "level": np.concatenate([sub.mesh.level.ravel() for sub in subs]),
        "noise": np.concatenate([sub.mesh.noise.ravel() for sub in subs]),
    }
