"""The raw frames of the benchmark: one night of one channel, drawn by the project's simulator.

Simpler than a real night, so that frames of any size are drawn about as fast as they are written:
stars alone (no extended light), a sky bright enough for normal shot noise on nearly all pixels, no
satellites, no field distortion, no clouds. As in a real one: bias structure, dark current, glow,
hot, dead and unstable pixels, a bad column, vignetting, dust, pixel response, dithers, a slow turn
of the field, changing seeing and transparency, cosmic rays, and the turn by 180 degrees at half
time.
"""

import json
import math
import os
from dataclasses import replace
from pathlib import Path

from draw_demo import draw_raw
from platelib.simulate.camera import CameraSpec
from platelib.simulate.observing_run import InstrumentSpec, NightPlan, PlanSpec
from platelib.simulate.passbands import BandSpec
from platelib.simulate.scene import SceneSpec
from platelib.simulate.sub import NightSpec

WIDTH_PX, HEIGHT_PX = 4656, 3520
CALIBRATION_FRAMES = 20
EXPOSURE_S = 120.0
NIGHT = "2026-03-23"
STARS_PER_MPX = 180.0
FEWEST_STARS = 150
RAW_BYTES_PER_PIXEL = 2
_FLOAT_BYTES_PER_PIXEL = 4
_OUR_BYTES_PER_PIXEL = 3 * 11 + 12  # masters and the channel with their variances and masks


def frame_size(mpx: float) -> tuple[int, int]:
    """Return width and height of a frame of about so many megapixels.

    Parameters
    ----------
    mpx
        Megapixels; 16.4 is 4656 x 3520.
    """
    side = math.sqrt(mpx * 1e6 / (WIDTH_PX * HEIGHT_PX))
    width, height = (max(16, round(length * side / 16) * 16) for length in (WIDTH_PX, HEIGHT_PX))
    return width, height


def bench_plan(
    subs: int, size: tuple[int, int], calibration_frames: int = CALIBRATION_FRAMES
) -> PlanSpec:
    """Return the observing plan of the benchmark.

    Parameters
    ----------
    subs
        Lights.
    size
        Width and height of a frame.
    calibration_frames
        Bias frames, dark frames and flats, of each so many.
    """
    width, height = size
    scene = SceneSpec(
        width_px=width,
        height_px=height,
        bands=(BandSpec("g", "G", 530.0, 1.0, EXPOSURE_S, 3.0),),
        zero_point=21.0,
        star_count=max(FEWEST_STARS, round(STARS_PER_MPX * width * height / 1e6)),
        brightest_mag=12.0,
        faintest_mag=18.5,
    )
    sky = NightSpec(NIGHT, gradient=(0.04, -0.03), bend=0.01, dust_seed=1)
    before = subs // 2
    blocks = tuple(
        ("g", count, flipped)
        for count, flipped in ((before, True), (subs - before, False))
        if count
    )
    return PlanSpec(
        "bench",
        20260323,
        scene,
        CameraSpec(width_px=width, height_px=height),
        replace(InstrumentSpec(), pixel_size_um=3.8, target="Thistledown Field"),
        (NightPlan(sky, f"{NIGHT}T17:30:00", blocks, rotation_deg=0.1, fwhm_px=2.9),),
        "2026-03-25T01:10:00",
        bias_count=calibration_frames,
        dark_count=calibration_frames,
        flat_count=calibration_frames,
        dither_px=15.0,
    )


def draw(plan: PlanSpec, folder: Path) -> None:
    """Draw the raw frames of a plan and remove others; a complete set is left as it is.

    Parameters
    ----------
    plan
        As from `bench_plan`.
    folder
        Where the frames go.
    """
    truth = draw_raw(plan, folder, workers=os.cpu_count() or 1)
    names = json.loads(truth.read_text(encoding="utf-8"))["frames"]
    for path in (*lights(folder), *calibration(folder)):
        if str(path.relative_to(folder).with_suffix("")) not in names:
            path.unlink()


def lights(folder: Path) -> list[Path]:
    """Return the light frames of a drawn set, those of a channel in the order of time."""
    paths = folder.glob(f"{NIGHT}/[rgb]-*.fits")
    return sorted(paths, key=lambda path: (int(path.stem[2:]), path.stem))


def calibration(folder: Path) -> list[Path]:
    """Return the bias, dark and flat frames of a drawn set."""
    return [*sorted(folder.glob("calibration/*.fits")), *sorted(folder.glob("*/flat-*.fits"))]


def part(folder: Path, subs: int, target: Path) -> Path:
    """Make a raw folder with all calibration frames and some lights, spread over the night.

    Parameters
    ----------
    folder
        A drawn set.
    subs
        Lights, at most as many as the set has.
    target
        The new folder; on the same file system, because frames are hard links.

    Returns
    -------
    pathlib.Path
        `target`, or `folder` itself if all its lights are asked for.
    """
    drawn = lights(folder)
    if subs == len(drawn):
        return folder
    chosen = [drawn[k * len(drawn) // subs] for k in range(subs)]
    for path in (*calibration(folder), *chosen):
        linked = target / path.relative_to(folder)
        linked.parent.mkdir(parents=True, exist_ok=True)
        linked.unlink(missing_ok=True)
        linked.hardlink_to(path)
    return target


def disk_bytes(drawn: int, subs: int, size: tuple[int, int], chain: bool) -> int:
    """Return how many bytes the files of a benchmark take at most, nearly.

    Parameters
    ----------
    drawn, subs
        Lights that are drawn, and lights of one run.
    size
        Width and height of a frame.
    chain
        Whether the library chain is run: float32 images of flats and masters, two of each light.
    """
    width, height = size
    raw = (drawn + 3 * CALIBRATION_FRAMES) * RAW_BYTES_PER_PIXEL
    ours = _OUR_BYTES_PER_PIXEL
    libraries = (CALIBRATION_FRAMES + 4 + 2 * subs) * _FLOAT_BYTES_PER_PIXEL if chain else 0
    return width * height * (raw + max(ours, libraries))
