"""The runs of the second part of the benchmark: from raw frames and from channels to pictures."""

import os
import shutil
import sys
import time
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path

import picture_set
import raw_set
import tifffile
from comparison import (
    RESULTS,
    Floor,
    Say,
    StepCost,
    floor_of,
    frames,
    our_command,
    read_once,
    step_costs,
)
from meter import Command, Usage, measure

RECIPE = "broadband-rgb"
PROJECT_OF_THREE = {
    "title": picture_set.TARGET,
    "recipe": RECIPE,
    "channels": {name: {"filters": [name.upper()]} for name in picture_set.CHANNELS},
}
GROWTH_SIZES = (raw_set.frame_size(4.0), raw_set.frame_size(16.4), (9576, 6388))
_OURS_KINDS = {
    f"{RESULTS}/picture/{RECIPE}.display.fits": "scratch",
    f"{RESULTS}/channels/": "channels",
    f"{RESULTS}/calibration/": "masters",
    f"{RESULTS}/picture/": "pictures",
    f"{RESULTS}/field/": "field",
}
_CHAIN = Path(__file__).resolve().with_name("library_picture.py")
_CHAIN_KINDS = {"picture/": "pictures", "field/": "field"}
_PICTURES = tuple(
    f"{RESULTS}/picture/{RECIPE}.{ending}" for ending in ("fits", "png", "jpg", "tif")
)
_FIELD = tuple(
    f"{RESULTS}/field/{name}" for name in ("sources.ecsv", "sources.csv", "annotated.png")
)
PART_FILES = {"picture": _PICTURES, "all": (*_PICTURES, *_FIELD)}
"""Files that the library chain makes too, by the stage of the whole command."""

_MADE_OF_CHANNELS = (
    "sky",
    "picture",
    "contact_sheet.png",
    "seeing.tsv",
    "subs.tsv",
    "field/zero_points.fits",
    "field/depth.fits",
    "field/sources.*",
    "field/annotated.*",
)
_OURS_ALONE = frozenset({"find_zero_points", "measure_depth"})
"""Rules that `PART_FILES` need and that have no counterpart in the library chain."""

_FLOAT_BYTES = 4
_UNCOMPRESSED = 1


@dataclass(frozen=True)
class PartRun:
    """One run of a command.

    Attributes
    ----------
    usage : Usage
    steps : dict of str to StepCost
        The jobs of the run by rule; empty for the library chain.
    """

    usage: Usage
    steps: dict[str, StepCost] = field(default_factory=dict)

    @property
    def steps_cpu_s(self) -> float:
        """Processor time of all jobs, without what starts them."""
        return sum(cost.cpu_s for cost in self.steps.values())

    @property
    def alike_cpu_s(self) -> float:
        """Processor time of the jobs that make what the library chain makes too."""
        return sum(cost.cpu_s for name, cost in self.steps.items() if name not in _OURS_ALONE)


@dataclass(frozen=True)
class PictureRuns:
    """The runs of one set of raw frames.

    Attributes
    ----------
    whole : list of PartRun
        Our command, from raw frames with nothing there.
    part : list of PartRun
        Our command, from channels that are there.
    chain : list of PartRun
        The library chain from the same channels; empty if it was not asked for.
    floor : Floor
        The images of the channels read once, and as many bytes written as `part` has products.
    """

    whole: list[PartRun]
    part: list[PartRun]
    chain: list[PartRun]
    floor: Floor


@dataclass(frozen=True)
class SizeStep:
    """Our command from raw frames of one size: width, height, its runs."""

    width_px: int
    height_px: int
    runs: list[PartRun]

    @property
    def mpx(self) -> float:
        """Megapixels of a frame."""
        return self.width_px * self.height_px / 1e6


def run_whole(raw: Path, folder: Path, target: str) -> PartRun:
    """Run our command from raw frames with nothing there; its folder stays.

    Parameters
    ----------
    raw
        Raw frames.
    folder
        Folder of the project, removed before.
    target
        Stage to make.
    """
    shutil.rmtree(folder, ignore_errors=True)
    read_once(frames(raw))
    usage = measure(our_command(raw, folder, PROJECT_OF_THREE, [target], _OURS_KINDS))
    return PartRun(usage, step_costs(folder / "results"))


def run_part(raw: Path, folder: Path, targets: Sequence[str]) -> PartRun:
    """Run our command again after all that was made of the channels has been removed.

    Parameters
    ----------
    raw
        Raw frames.
    folder
        As `run_whole` left it.
    targets
        Files to make.
    """
    results = folder / RESULTS
    for pattern in _MADE_OF_CHANNELS:
        for path in results.glob(pattern):
            if path.is_dir():
                shutil.rmtree(path)
            else:
                path.unlink()
    read_once(channel_files(folder))
    since_ns = time.time_ns()
    usage = measure(our_command(raw, folder, PROJECT_OF_THREE, targets, _OURS_KINDS))
    return PartRun(usage, step_costs(folder / "results", since_ns))


def run_chain(ours: Path, folder: Path, everything: bool) -> PartRun:
    """Run the library chain on our channels; see `library_picture`.

    Parameters
    ----------
    ours
        As `run_whole` left it.
    folder
        An empty or missing folder, removed afterwards.
    everything
        Whether sources and an annotated picture are made too.
    """
    with tifffile.TiffFile(ours / RESULTS / "picture" / f"{RECIPE}.tif") as picture:
        deflate = picture.pages.first.compression != _UNCOMPRESSED
    read_once(channel_files(ours))
    # Only the module search path of the libraries: the chain knows nothing of the project.
    words = [sys.executable, "-I", str(_CHAIN), str(ours / RESULTS / "channels"), str(folder)]
    words += ["--deflate"] * deflate + ["--all"] * everything
    usage = measure(Command(words, folder, _CHAIN_KINDS))
    shutil.rmtree(folder)
    return PartRun(usage)


def compare(
    raw: Path, folder: Path, target: str, repeat: int, chain: bool, pixels: int, say: Say
) -> PictureRuns:
    """Run the whole command, the chain and the picture part in turn.

    Parameters
    ----------
    raw
        Raw frames.
    folder
        Where the runs have their folders.
    target
        ``picture`` or ``all``.
    repeat
        How often each is run.
    chain
        Whether the library chain is run at all.
    pixels
        Pixels of a frame.
    say
        Takes a line about what is going on.
    """
    ours = folder / "platelog"
    whole, part, chains = [], [], []
    for number in range(1, repeat + 1):
        say(f"Platelog from raw, run {number} of {repeat} ...")
        whole.append(run_whole(raw, ours, target))
        if chain:
            say(f"Library chain from channels, run {number} of {repeat} ...")
            chains.append(run_chain(ours, folder / "libraries", target == "all"))
        say(f"Platelog from channels, run {number} of {repeat} ...")
        part.append(run_part(raw, ours, PART_FILES[target]))
    sizes = [part[-1].usage.file_bytes[kind] for kind in ("pictures", "field")]
    least = picture_floor(channel_files(ours), pixels, folder / "floor", sum(sizes))
    shutil.rmtree(ours)
    return PictureRuns(whole, part, chains, least)


def growth(folder: Path, target: str, subs: int, repeat: int, say: Say) -> list[SizeStep]:
    """Measure the whole command on raw frames of growing size.

    Parameters
    ----------
    folder
        Where raw frames and results go, removed afterwards.
    target
        ``picture`` or ``all``.
    subs
        Lights of each channel.
    repeat
        Runs of each size.
    say
        Takes a line about what is going on.
    """
    raw, ours = folder / "raw-growth", folder / "growth"
    steps = []
    for width, height in GROWTH_SIZES:
        say(f"Growth: drawing frames of {width} x {height} px ...")
        raw_set.draw(picture_set.picture_plan(subs, (width, height)), raw)
        os.sync()
        runs = []
        for number in range(1, repeat + 1):
            say(f"Growth, {width} x {height} px, run {number} of {repeat} ...")
            runs.append(run_whole(raw, ours, target))
        steps.append(SizeStep(width, height, runs))
        shutil.rmtree(raw)
        shutil.rmtree(ours)
    return steps


def picture_floor(
    channels: Sequence[Path], pixels: int, product: Path, product_bytes: int
) -> Floor:
    """Measure how long it takes to read the images of the channels and to write the products.

    Parameters
    ----------
    channels
        Files of channels; of each the first image is read.
    pixels
        Pixels of an image.
    product
        File that is written, and removed afterwards.
    product_bytes
        Its size.
    """
    block = os.urandom(1024**2)

    def copy() -> None:
        for path in channels:
            with path.open("rb", buffering=0) as stream:
                stream.read(pixels * _FLOAT_BYTES)
        with product.open("wb", buffering=0) as stream:
            for _ in range(product_bytes // len(block)):
                stream.write(block)
            stream.write(block[: product_bytes % len(block)])

    return floor_of(channels, product, copy)


def channel_files(folder: Path) -> list[Path]:
    """Return the channels in the folder of a run."""
    return sorted((folder / RESULTS / "channels").glob("*.fits"))
