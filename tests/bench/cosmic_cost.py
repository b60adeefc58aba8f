"""Processor time of finding cosmic rays on a single frame: ours beside the general library.

    PYTHONPATH=scripts .venv/bin/python tests/bench/cosmic_cost.py --mpx 16.4 --repeat 3

Both get the same drawn frame, calibrated by what the simulator knows of the camera, with the same
variances and the same mask, and the masks that they find are compared pixel for pixel. Time is that
of the processor, of all threads of the process; the best of the runs counts. Nothing is written.
"""

import argparse
import sys
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import astroscrappy
import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parent))

from raw_set import bench_plan, frame_size

from platelib.cosmic_rays.single_frame import cosmic_ray_mask, warm_up
from platelib.numerics.mask_bits import BAD, SATURATED
from platelib.simulate.camera import build_camera, light_response
from platelib.simulate.exposure import draw_light
from platelib.simulate.observing_run import plan_frames
from platelib.simulate.scene import build_scene

_FULL_SCALE_ADU = 65535
_HOT_E_S = 0.5


@dataclass(frozen=True)
class Calibrated:
    """A frame in electrons, its variances, its mask (1 bad, 2 saturated) and full scale."""

    image: np.ndarray
    variance: np.ndarray
    mask: np.ndarray
    saturation: float


@dataclass(frozen=True)
class Cost:
    """Best processor time in seconds, and the mask that was found."""

    name: str
    cpu_s: float
    found: np.ndarray


def draw(mpx: float) -> Calibrated:
    """Draw a light of about so many megapixels and calibrate it."""
    plan = bench_plan(1, frame_size(mpx))
    camera = build_camera(plan.camera)
    sub = next(frame.sub for frame in plan_frames(plan) if frame.sub is not None)
    raw, _ = draw_light(build_scene(plan.scene), camera, sub, np.random.default_rng(plan.seed))
    gain = np.float32(plan.camera.gain_e_per_adu)
    response = light_response(camera, sub.night.dust_seed)
    electrons = (raw - camera.bias_adu) * gain
    variance = (np.maximum(electrons, 0) + plan.camera.read_noise_e**2) / response**2
    electrons -= camera.dark_e_s * np.float32(sub.exposure_s)
    mask = np.where((camera.dark_e_s > _HOT_E_S) | (response < 0.5), BAD, 0)
    mask |= np.where(raw == _FULL_SCALE_ADU, SATURATED, 0)
    return Calibrated(
        (electrons / response).astype(np.float32),
        variance.astype(np.float32),
        mask.astype(np.uint8),
        float(gain) * _FULL_SCALE_ADU,
    )


def measure(name: str, find: Callable[[], np.ndarray], repeat: int) -> Cost:
    """Run one way of finding rays so many times."""
    times = []
    for _ in range(repeat):
        start = time.process_time()
        found = find()
        times.append(time.process_time() - start)
    return Cost(name, min(times), found)


def compare(frame: Calibrated, repeat: int) -> tuple[Cost, Cost]:
    """Measure ours and the library's; neither knows of saturation but by the level.

    Returns
    -------
    ours, library : Cost
    """
    warm_up()
    level = np.float32(frame.saturation)
    mask = (frame.mask & BAD) | np.where(frame.image >= level, SATURATED, 0).astype(np.uint8)
    bad = mask & BAD != 0
    return (
        measure(
            "ours",
            lambda: cosmic_ray_mask(frame.image.copy(), frame.variance.copy(), mask, level),
            repeat,
        ),
        measure(
            "astroscrappy",
            lambda: astroscrappy.detect_cosmics(
                frame.image, inmask=bad, invar=frame.variance, satlevel=level
            )[0],
            repeat,
        ),
    )


def as_text(frame: Calibrated, ours: Cost, library: Cost) -> str:
    """Return a small table."""
    ny, nx = frame.image.shape
    lines = [f"{nx} x {ny} px, 4 rounds, separable medians; processor time, best of the runs"]
    lines += [f"  {c.name:<14}{c.cpu_s:8.2f} s{c.found.sum():10d} pixels" for c in (ours, library)]
    differing = np.count_nonzero(ours.found != library.found)
    lines.append(f"  ratio {library.cpu_s / ours.cpu_s:.0f}, {differing} pixels differ")
    return "\n".join(lines)


def main() -> None:
    """Read the options, measure, print."""
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("--mpx", type=float, default=16.4, help="megapixels (default: 16.4)")
    parser.add_argument("--repeat", type=int, default=3, help="runs of each (default: 3)")
    options = parser.parse_args()
    frame = draw(options.mpx)
    print(as_text(frame, *compare(frame, options.repeat)))


if __name__ == "__main__":
    main()
