"""The raw frames of the second part of the benchmark: three channels of few subs.

Unlike the set of one channel (`raw_set`) it has what the work after integration depends on: a
spiral galaxy, a cluster of small galaxies, stars in numbers that grow with the area, and the real
Tycho-2 stars of that place, so that the field can be solved. All scale with the frame, so that
frames of different sizes show the same sky.
"""

from dataclasses import replace

import numpy as np
from raw_set import (
    EXPOSURE_S,
    FEWEST_STARS,
    NIGHT,
    RAW_BYTES_PER_PIXEL,
    STARS_PER_MPX,
)

from platefiles.astrometry.star_catalogue import read_tycho
from platelib.simulate.camera import CameraSpec
from platelib.simulate.galaxies import ClusterSpec
from platelib.simulate.observing_run import InstrumentSpec, NightPlan, PlanSpec, sky_to_scene
from platelib.simulate.passbands import BandSpec
from platelib.simulate.scene import SceneSpec
from platelib.simulate.spiral import SpiralSpec
from platelib.simulate.sub import NightSpec
from platelib.simulate.tycho_stars import star_temperature_k

CHANNELS = ("r", "g", "b")
SUBS = 4
CALIBRATION_FRAMES = 8
TARGET = "Thistledown Spiral"
_YEAR = 2026.23
_BANDS = (
    BandSpec("g", "G", 530.0, 1.0, EXPOSURE_S, 3.0),
    BandSpec("r", "R", 640.0, 0.9, EXPOSURE_S, 2.6),
    BandSpec("b", "B", 450.0, 0.86, EXPOSURE_S, 2.4),
)
_DISC_WIDTHS = 1 / 15
"""Scale length of the spiral's disc over the longer side of the frame."""

_GALAXIES_PER_MPX = 6.0
_FEWEST_GALAXIES = 8
_MARGIN_PX = 40
_USUAL_BT_VT = 0.6
_PRODUCT_BYTES_PER_PIXEL = 3 * 14 + 5 * 11 + 30
"""Three channels, five masters, and all that is made of them."""

_CHAIN_BYTES_PER_PIXEL = 12 + 6 + 3 + 3


def picture_plan(
    subs: int, size: tuple[int, int], calibration_frames: int = CALIBRATION_FRAMES
) -> PlanSpec:
    """Return the observing plan.

    Parameters
    ----------
    subs
        Lights of each channel; half of them, rounded down, on either side of the meridian.
    size
        Width and height of a frame.
    calibration_frames
        Bias frames, dark frames and flats of each channel, of each so many.
    """
    width, height = size
    instrument = replace(InstrumentSpec(), pixel_size_um=3.8, target=TARGET)
    scene = SceneSpec(
        width_px=width,
        height_px=height,
        bands=_BANDS,
        zero_point=21.0,
        star_count=max(FEWEST_STARS, round(STARS_PER_MPX * width * height / 1e6)),
        brightest_mag=12.0,
        faintest_mag=18.5,
        bright_stars=_catalogue_stars(instrument, size),
        spiral=SpiralSpec(0.45 * width, 0.51 * height, scale_px=_DISC_WIDTHS * max(size)),
        cluster=ClusterSpec(
            max(_FEWEST_GALAXIES, round(_GALAXIES_PER_MPX * width * height / 1e6)),
            0.82 * width,
            0.72 * height,
            0.12 * width,
            13.0,
            18.5,
        ),
    )
    before = subs // 2
    blocks = tuple(
        (channel, count, flipped)
        for count, flipped in ((before, True), (subs - before, False))
        for channel in CHANNELS
    )
    sky = NightSpec(NIGHT, gradient=(0.04, -0.03), bend=0.01, dust_seed=1)
    return PlanSpec(
        "bench",
        20260323,
        scene,
        CameraSpec(width_px=width, height_px=height),
        instrument,
        (NightPlan(sky, f"{NIGHT}T20:32:00", blocks, rotation_deg=0.1, fwhm_px=2.9),),
        "2026-03-25T01:10:00",
        bias_count=calibration_frames,
        dark_count=calibration_frames,
        flat_count=calibration_frames,
    )


def _catalogue_stars(
    instrument: InstrumentSpec, size: tuple[int, int]
) -> tuple[tuple[float, float, float, float], ...]:
    """Return x, y, VT and temperature of the Tycho-2 stars on a frame."""
    width, height = size
    radius_deg = instrument.scale_arcsec * max(size) / 3600
    stars = read_tycho(instrument.ra_deg, instrument.dec_deg, radius_deg, _YEAR)
    x, y = sky_to_scene(instrument, size, stars.ra, stars.dec)
    vt = stars.magnitudes["VT"]
    colours = np.nan_to_num(stars.magnitudes["BT"] - vt, nan=_USUAL_BT_VT)
    near = (np.abs(x - width / 2) < width / 2 + _MARGIN_PX) & (
        np.abs(y - height / 2) < height / 2 + _MARGIN_PX
    )
    rows = np.flatnonzero(near & np.isfinite(vt))
    return tuple(
        (float(x[k]), float(y[k]), float(vt[k]), float(star_temperature_k(colours[k])))
        for k in rows
    )


def disk_bytes(subs: int, size: tuple[int, int], chain: bool) -> int:
    """Return how many bytes the files of the second part take at most, nearly.

    Parameters
    ----------
    subs
        Lights of each channel.
    size
        Width and height of a frame.
    chain
        Whether the library chain is run.
    """
    width, height = size
    frames = len(CHANNELS) * (subs + CALIBRATION_FRAMES) + 2 * CALIBRATION_FRAMES
    libraries = _CHAIN_BYTES_PER_PIXEL if chain else 0
    return width * height * (frames * RAW_BYTES_PER_PIXEL + _PRODUCT_BYTES_PER_PIXEL + libraries)
