"""The two parts of the benchmark: each draws its raw frames, measures, and says what it found."""

import os
import shutil
import time
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import comparison
import picture_comparison
import picture_set
import raw_set
from comparison import Say, frames
from picture_tables import PictureOutcome
from tables import Outcome, RawSet

from platefiles.core.errors import UserError
from platelib.simulate.observing_run import PlanSpec

GROWTH_SUBS = (10, 20, 40, 80)
RAW_FOLDERS = ("raw", "raw-picture")


@dataclass(frozen=True)
class Options:
    """What to measure, and how often.

    Attributes
    ----------
    size_px : tuple of int
        Width and height of a frame.
    repeat : int
        Runs of each command.
    chain, growth, keep : bool
        Whether the library chains are run, growth is measured, and raw frames are kept.
    """

    size_px: tuple[int, int]
    repeat: int
    chain: bool
    growth: bool
    keep: bool


def channel_part(folder: Path, subs: int, options: Options, say: Say) -> Outcome:
    """Measure from raw frames to one channel, with many subs.

    Parameters
    ----------
    folder
        Where all files go.
    subs
        Lights.
    options
        What to measure.
    say
        Takes a line about what is going on.
    """
    size_px = options.size_px
    plan_subs = max(subs, *GROWTH_SUBS) if options.growth else subs
    drawn = folder / RAW_FOLDERS[0]
    drawn_s = _draw(raw_set.bench_plan(plan_subs, size_px), drawn, plan_subs, say)
    raw = raw_set.part(drawn, subs, folder / "raw-part")
    load = os.getloadavg()[0]
    chain, ours = comparison.compare(raw, folder, options.repeat, options.chain, say)
    least = comparison.floor(raw, folder / "floor.fits", size_px[0] * size_px[1])
    steps = []
    if options.growth:
        parts = [(n, raw_set.part(drawn, n, folder / f"raw-{n}")) for n in GROWTH_SUBS]
        steps = comparison.growth(parts, folder / "growth", options.repeat, say)
    facts = _facts(raw, size_px, drawn_s)
    if not options.keep:
        for path in folder.glob("raw*"):
            shutil.rmtree(path)
    loads = (load, os.getloadavg()[0])
    return Outcome(facts, os.cpu_count() or 1, loads, chain, ours, least, steps)


def picture_part(
    folder: Path, subs: int, target: str, options: Options, say: Say
) -> PictureOutcome:
    """Measure from raw frames to the picture of three channels, with few subs.

    Parameters
    ----------
    folder
        Where all files go.
    subs
        Lights of each channel.
    target
        ``picture`` or ``all``.
    options
        What to measure.
    say
        Takes a line about what is going on.
    """
    size_px = options.size_px
    raw = folder / RAW_FOLDERS[1]
    lights = len(picture_set.CHANNELS) * subs
    drawn_s = _draw(picture_set.picture_plan(subs, size_px), raw, lights, say)
    load = os.getloadavg()[0]
    pixels = size_px[0] * size_px[1]
    runs = picture_comparison.compare(
        raw, folder, target, options.repeat, options.chain, pixels, say
    )
    facts = _facts(raw, size_px, drawn_s)
    if not options.keep:
        shutil.rmtree(raw)
    steps = []
    if options.growth:
        steps = picture_comparison.growth(folder, target, subs, options.repeat, say)
    loads = (load, os.getloadavg()[0])
    return PictureOutcome(facts, os.cpu_count() or 1, loads, target, runs, steps)


def channel_bytes(subs: int, options: Options) -> int:
    """Return how many bytes the files of the first part take at most, nearly."""
    drawn = max(subs, *GROWTH_SUBS) if options.growth else subs
    return raw_set.disk_bytes(drawn, subs, options.size_px, options.chain)


def picture_bytes(subs: int, options: Options) -> int:
    """Return how many bytes the files of the second part take at most, nearly."""
    usual = picture_set.disk_bytes(subs, options.size_px, options.chain)
    if not options.growth:
        return usual
    grown = picture_set.disk_bytes(subs, picture_comparison.GROWTH_SIZES[-1], False)
    return usual + grown if options.keep else max(usual, grown)


def check_disk(folder: Path, needs: Sequence[int], keep: bool) -> None:
    """Refuse to begin where the files will not fit.

    Parameters
    ----------
    folder
        Where all files go.
    needs
        Bytes of each part.
    keep
        Whether the raw frames of a part stay for the next.

    Raises
    ------
    UserError
        With the bytes that are needed and free.
    """
    needed = 1.1 * (sum(needs) if keep else max(needs))
    free = shutil.disk_usage(folder).free
    if free < needed:
        msg = (
            f"{folder}: {needed / 1e9:.1f} GB are needed and {free / 1e9:.1f} GB are free; choose "
            "a larger disk with --folder, or fewer --subs, or smaller frames."
        )
        raise UserError(msg)


def _draw(plan: PlanSpec, folder: Path, lights: int, say: Say) -> float:
    """Draw raw frames and return how long it took, s."""
    camera = plan.camera
    say(
        f"Drawing {lights} lights of {camera.width_px} x {camera.height_px} px and calibration "
        "frames ..."
    )
    start = time.monotonic()
    raw_set.draw(plan, folder)
    drawn_s = time.monotonic() - start
    os.sync()  # raw pages that the disk does not have yet would count as memory of who maps them
    return drawn_s


def _facts(raw: Path, size_px: tuple[int, int], drawn_s: float) -> RawSet:
    """Return what the tables say of a set."""
    size = sum(path.stat().st_size for path in frames(raw))
    lights, calibration = len(raw_set.lights(raw)), len(raw_set.calibration(raw))
    return RawSet(lights, calibration, *size_px, size, drawn_s)
