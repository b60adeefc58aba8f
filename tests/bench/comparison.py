"""The runs of the benchmark: a library chain, platelog's whole command, the floor, the growth."""

import csv
import json
import os
import shutil
import statistics
import sys
import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import yaml
from meter import Command, Usage, measure

from platefiles.fits.products_io import read_table

PROJECT = "bench"
CHANNEL = "g"
_ROOT = Path(__file__).resolve().parents[2]
_CHAIN = Path(__file__).resolve().with_name("library_chain.py")
RESULTS = f"results/{PROJECT}"
PROJECT_OF_ONE = {
    "title": "Benchmark",
    "recipe": "single-channel",
    "channels": {CHANNEL: {"filters": ["G"]}},
}
_MB_PER_MIB = 1.048576
_OURS_KINDS = {f"{RESULTS}/channels/": "product", f"{RESULTS}/calibration/": "masters"}
_CHAIN_KINDS = {"channels/": "product", "masters/": "masters"}
_BLOCK_BYTES = 8 * 1024**2
FLOOR_REPEATS = 3

Say = Callable[[str], None]


@dataclass(frozen=True)
class StepCost:
    """What the jobs of one rule cost.

    Attributes
    ----------
    jobs : int
    wall_s, cpu_s : float
        Sums of their seconds from begin to end and of their processor time.
    peak_mb : float
        Largest resident memory of one of them, MB: all pages, those too that it shares with other
        jobs or that belong to files that it maps.
    """

    jobs: int
    wall_s: float
    cpu_s: float
    peak_mb: float = 0.0


@dataclass(frozen=True)
class Run:
    """One run of a chain.

    Attributes
    ----------
    usage : Usage
        What it cost.
    used : int
        Lights in its product.
    steps : dict of str to StepCost
        The part of each rule in the cost, by name, as Snakemake measured it; ours only.
    """

    usage: Usage
    used: int
    steps: dict[str, StepCost] = field(default_factory=dict)


@dataclass(frozen=True)
class Floor:
    """Seconds to read the raw frames once and write the product, without computing anything.

    Attributes
    ----------
    warm_s, cold_s : float
        With the raw frames in memory (as in all runs), and from the disk.
    """

    warm_s: float
    cold_s: float


@dataclass(frozen=True)
class GrowthStep:
    """Platelog's command, from masters that are there to the channel, for so many lights."""

    subs: int
    usages: list[Usage]


def run_ours(raw: Path, folder: Path) -> Run:
    """Run the whole command, from raw frames to the channel, with nothing there before.

    Parameters
    ----------
    raw
        Raw frames.
    folder
        An empty or missing folder, removed afterwards.
    """
    usage = measure(our_command(raw, folder, PROJECT_OF_ONE, ["channels"], _OURS_KINDS))
    inputs = read_table(folder / RESULTS / "channels" / f"{CHANNEL}.fits", "INPUTS")
    used = sum(str(state) == "used" for state in inputs["state"])
    steps = step_costs(folder / "results")
    shutil.rmtree(folder)
    return Run(usage, used, steps)


def step_costs(results: Path, since_ns: int = 0) -> dict[str, StepCost]:
    """Add up Snakemake's benchmark files by rule, in the order in which the rules came to an end.

    Parameters
    ----------
    results
        Folder of results.
    since_ns
        Only files that were written at that time or later, ns since the epoch.
    """
    costs: dict[str, StepCost] = {}
    for path in sorted(results.rglob("*.tsv"), key=lambda path: path.stat().st_mtime_ns):
        below = path.relative_to(results).parts
        if "benchmarks" not in below or path.stat().st_mtime_ns < since_ns:
            continue
        rule = below[below.index("benchmarks") + 1].removesuffix(".tsv")
        with path.open(encoding="utf-8", newline="") as rows:
            for row in csv.DictReader(rows, delimiter="\t"):
                before = costs.pop(rule, StepCost(0, 0.0, 0.0))
                cpu_s, peak_mib = (
                    0.0 if row[name] == "NA" else float(row[name])
                    for name in ("cpu_time", "max_rss")
                )
                costs[rule] = StepCost(
                    before.jobs + 1,
                    before.wall_s + float(row["s"]),
                    before.cpu_s + cpu_s,
                    max(before.peak_mb, peak_mib * _MB_PER_MIB),
                )
    return costs


def run_chain(raw: Path, folder: Path) -> Run:
    """Run the library chain; see `library_chain`.

    Parameters
    ----------
    raw
        Raw frames.
    folder
        An empty or missing folder, removed afterwards.
    """
    # Only the module search path of the libraries: the chain knows nothing of the project.
    words = [sys.executable, "-I", str(_CHAIN), str(raw), str(folder)]
    usage = measure(Command(words, folder, _CHAIN_KINDS))
    used = json.loads((folder / "used.json").read_text(encoding="utf-8"))["used"]
    shutil.rmtree(folder)
    return Run(usage, int(used))


def compare(
    raw: Path, folder: Path, repeat: int, chain: bool, say: Say
) -> tuple[list[Run], list[Run]]:
    """Run the chain and the command in turn, each with the raw frames in memory before it starts.

    Parameters
    ----------
    raw
        Raw frames.
    folder
        Where the runs have their folders.
    repeat
        How often each is run.
    chain
        Whether the library chain is run at all.
    say
        Takes a line about what is going on.

    Returns
    -------
    tuple of list of Run
        The runs of the chain, and ours.
    """
    chains, ours = [], []
    for number in range(1, repeat + 1):
        if chain:
            say(f"Library chain, run {number} of {repeat} ...")
            read_once(frames(raw))
            chains.append(run_chain(raw, folder / "libraries"))
        say(f"Platelog, run {number} of {repeat} ...")
        read_once(frames(raw))
        ours.append(run_ours(raw, folder / "platelog"))
    return chains, ours


def our_command(
    raw: Path,
    folder: Path,
    settings: Mapping[str, Any],
    targets: Sequence[str],
    kinds: Mapping[str, str],
) -> Command:
    """Write a project for the raw frames and return the command that makes targets of it.

    Parameters
    ----------
    raw
        Raw frames.
    folder
        Folder of the project and of its results.
    settings
        The project file without its raw folder.
    targets
        Stages or files to make.
    kinds
        Kinds of files, as in `Command`.
    """
    path = lock_file(folder).with_name(f"{PROJECT}.yaml")
    path.parent.mkdir(parents=True, exist_ok=True)
    project = {**settings, "raw": [str(raw)]}
    path.write_text(yaml.safe_dump(project, sort_keys=False), encoding="utf-8")
    launcher = str(_ROOT / "scripts" / "platelog.py")
    words = [sys.executable, launcher, "run", str(path), "--directory", str(folder)]
    words += [word for target in targets for word in ("--to", target)]
    return Command(words, folder, kinds)


def growth(
    parts: Sequence[tuple[int, Path]], folder: Path, repeat: int, say: Say
) -> list[GrowthStep]:
    """Measure the command for growing numbers of lights, with masters made before.

    Parameters
    ----------
    parts
        Number of lights, and the folder of raw frames that has so many.
    folder
        Folder of the runs, removed afterwards; the raw frames are linked beside it.
    repeat
        How often each number is measured; one after the other, then all again.
    say
        Takes a line about what is going on.
    """
    raw = folder.with_name("raw-growth")
    steps = [GrowthStep(subs, []) for subs, _ in parts]
    _link(parts[0][1], raw)
    command = our_command(raw, folder, PROJECT_OF_ONE, ["channels"], _OURS_KINDS)
    measure(command)
    for number in range(1, repeat + 1):
        for step, (subs, source) in zip(steps, parts, strict=True):
            say(f"Growth, {subs} subs, run {number} of {repeat} ...")
            _link(source, raw)
            for name in ("measures", "registration", "channels"):
                shutil.rmtree(folder / RESULTS / name)
            lock_file(folder).unlink()
            read_once(frames(raw))
            step.usages.append(measure(command))
    shutil.rmtree(folder)
    shutil.rmtree(raw)
    return steps


def floor(raw: Path, product: Path, pixels: int) -> Floor:
    """Measure how long it takes to read the raw frames once and to write a float32 image.

    Parameters
    ----------
    raw
        Raw frames.
    product
        File that is written, and removed afterwards.
    pixels
        Pixels of the product.
    """
    paths = frames(raw)
    image = np.linspace(0, 1, pixels, dtype=np.float32).tobytes()

    def copy() -> None:
        read_once(paths)
        product.write_bytes(image)

    return floor_of(paths, product, copy)


def floor_of(paths: Sequence[Path], product: Path, copy: Callable[[], None]) -> Floor:
    """Measure a function that reads files and writes another one, which is removed afterwards.

    Parameters
    ----------
    paths
        Files that are read.
    product
        File that is written.
    copy
        The function.
    """

    def once() -> float:
        start = time.perf_counter()
        copy()
        took_s = time.perf_counter() - start
        product.unlink()
        return took_s

    forget(paths)
    cold_s = once()
    return Floor(statistics.median(once() for _ in range(FLOOR_REPEATS)), cold_s)


def frames(raw: Path) -> list[Path]:
    """Return the frames in a raw folder."""
    return sorted(raw.rglob("*.fits"))


def read_once(paths: Sequence[Path]) -> None:
    """Read files from beginning to end, which leaves them in memory."""
    block = bytearray(_BLOCK_BYTES)
    for path in paths:
        with path.open("rb", buffering=0) as stream:
            while stream.readinto(block):
                pass


def forget(paths: Sequence[Path]) -> None:
    """Ask the kernel to drop files from memory; a system that cannot be asked keeps them."""
    if not hasattr(os, "posix_fadvise"):
        return
    for path in paths:
        handle = os.open(path, os.O_RDONLY)
        try:
            os.fsync(handle)
            os.posix_fadvise(handle, 0, 0, os.POSIX_FADV_DONTNEED)
        finally:
            os.close(handle)


def lock_file(folder: Path) -> Path:
    """Return the file in which the project pins its grid."""
    return folder / "config" / "projects" / f"{PROJECT}.lock.yaml"


def _link(source: Path, raw: Path) -> None:
    """Fill a raw folder with hard links to just the frames of a set."""
    shutil.rmtree(raw, ignore_errors=True)
    for path in frames(source):
        linked = raw / path.relative_to(source)
        linked.parent.mkdir(parents=True, exist_ok=True)
        linked.hardlink_to(path)
