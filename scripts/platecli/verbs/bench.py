"""The verb `bench`: measure platelog and a chain of general libraries on the same raw frames."""

import argparse
import json
import os
import re
import shutil
import signal
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from importlib import import_module
from pathlib import Path
from typing import TYPE_CHECKING

from platecli.execution.engine import ROOT
from platefiles.core.errors import UserError

if TYPE_CHECKING:
    from tables import Outcome

BENCH = ROOT / "tests" / "bench"
GROWTH_SUBS = (10, 20, 40, 80)
FEWEST_SUBS = 3
LEAST_MPX, MOST_MPX = 0.25, 200.0
LEAST_SIDE_PX = 256
_OWN_FOLDER = "platelog-bench"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments of `bench`."""
    parser.add_argument("--subs", type=int, default=40, help="light frames (default: 40)")
    size = parser.add_mutually_exclusive_group()
    size.add_argument(
        "--mpx", type=float, default=16.4, help="megapixels of a frame (default: 16.4)"
    )
    size.add_argument("--size", metavar="WxH", help="width and height of a frame, as 9576x6388")
    parser.add_argument("--repeat", type=int, default=1, help="runs of each (default: 1)")
    parser.add_argument(
        "--folder",
        type=Path,
        help=f"where a folder {_OWN_FOLDER} for all files is made (default: a temporary place)",
    )
    parser.add_argument("--keep", action="store_true", help="keep the raw frames that were drawn")
    parser.add_argument("--no-chain", action="store_true", help="measure without the library chain")
    parser.add_argument(
        "--growth",
        action="store_true",
        help=f"also measure how cost grows: {', '.join(map(str, GROWTH_SUBS))} subs",
    )
    parser.add_argument(
        "--accuracy",
        action="store_true",
        help="measure accuracy on simulated subs instead: rejection, resampling, registration, "
        "flux scale",
    )
    parser.add_argument("--json", action="store_true", help="print JSON instead of tables")


def run(args: argparse.Namespace) -> int:
    """Draw the raw frames, measure, and print the results.

    Raises
    ------
    UserError
        If an option is wrong, the disk is too small or a measured command fails.
    """
    if args.accuracy:
        _print_accuracy(args.json)
        return 0
    _check(args)
    signal.signal(signal.SIGTERM, signal.default_int_handler)  # so that the files are removed
    sys.path.insert(0, str(BENCH))
    from tables import as_json, as_text

    with _own_folder(args.folder, args.keep) as folder:
        outcome = _measure_all(args, folder)
    print(json.dumps(as_json(outcome), indent=1) if args.json else "\n" + as_text(outcome))
    return 0


def _print_accuracy(as_json: bool) -> None:
    """Print what each of the modules ``accuracy_*`` measures, as soon as it is known."""
    sys.path.insert(0, str(BENCH))
    found: list[dict] = []
    for path in sorted(BENCH.glob("accuracy_*.py")):
        rows = import_module(path.stem).rows()
        found += rows
        if not as_json:
            print("\n".join(accuracy_lines(rows)), flush=True)
    if as_json:
        print(json.dumps(found, indent=1))


def accuracy_lines(rows: list[dict]) -> list[str]:
    """Return a line a measure: its limit, its value, and that of the older method if known.

    Parameters
    ----------
    rows
        ``what``, ``case``, ``value``, ``limit`` and ``unit``; ``before`` where there is one, and
        ``at_least`` where the limit is a lower one.
    """
    lines = []
    for row in rows:
        before = f", before {row['before']:.3g}" if "before" in row else ""
        side = "at least" if row.get("at_least") else "at most"
        lines.append(
            f"{row['what']} ({row['case']}): {row['value']:.3g} {row['unit']}, "
            f"limit {side} {row['limit']:g}{before}"
        )
    return lines


def _check(args: argparse.Namespace) -> None:
    """Refuse invalid options."""
    if args.subs < FEWEST_SUBS:
        msg = f"--subs {args.subs}: at least {FEWEST_SUBS} are needed."
        raise UserError(msg)
    if args.repeat < 1:
        msg = f"--repeat {args.repeat}: at least 1 is needed."
        raise UserError(msg)
    if not LEAST_MPX <= args.mpx <= MOST_MPX:
        msg = f"--mpx {args.mpx:g}: give {LEAST_MPX:g} to {MOST_MPX:g}."
        raise UserError(msg)
    if args.size is not None:
        parse_size(args.size)
    if args.folder is not None and not args.folder.is_dir():
        msg = f"--folder {args.folder}: there is no such folder; make it first."
        raise UserError(msg)


def parse_size(text: str) -> tuple[int, int]:
    """Return the width and height that an option gives.

    Raises
    ------
    UserError
        If it is not of the form ``9576x6388``, or too small or large.
    """
    found = re.fullmatch(r"(\d{1,6})[xX](\d{1,6})", text)
    if found is None:
        msg = f"--size {text}: give width and height in pixels, such as 9576x6388."
        raise UserError(msg)
    width, height = int(found[1]), int(found[2])
    if not LEAST_MPX <= width * height / 1e6 <= MOST_MPX or min(width, height) < LEAST_SIDE_PX:
        msg = (
            f"--size {text}: give {LEAST_MPX:g} to {MOST_MPX:g} megapixels, and sides of "
            f"{LEAST_SIDE_PX} px or more."
        )
        raise UserError(msg)
    return width, height


@contextmanager
def _own_folder(parent: Path | None, keep: bool) -> Iterator[Path]:
    """Make the folder of all files, and remove it afterwards, but for kept raw frames."""
    if parent is None:
        folder = Path(tempfile.mkdtemp(prefix=f"{_OWN_FOLDER}-"))
    else:
        folder = parent.absolute() / _OWN_FOLDER
        folder.mkdir(exist_ok=True)
    _clear(folder)  # what a killed run left
    try:
        yield folder
    finally:
        _clear(folder)
        if keep:
            print(f"The raw frames are in {folder / 'raw'}.", file=sys.stderr)
        else:
            shutil.rmtree(folder, ignore_errors=True)


def _clear(folder: Path) -> None:
    """Remove everything but the raw frames."""
    for path in folder.iterdir():
        if path.is_dir() and path.name != "raw":
            shutil.rmtree(path)


def _measure_all(args: argparse.Namespace, folder: Path) -> "Outcome":
    """Draw and measure everything that is asked for."""
    import raw_set
    from comparison import compare, floor, frames, growth
    from tables import Outcome, RawSet

    from platecli.execution.warm import warm

    plan_subs = max(args.subs, *GROWTH_SUBS) if args.growth else args.subs
    size_px = parse_size(args.size) if args.size else raw_set.frame_size(args.mpx)
    width, height = size_px
    _check_disk(folder, plan_subs, size_px, args)
    _say(f"Drawing {plan_subs} lights of {width} x {height} px and calibration frames ...")
    start = time.monotonic()
    drawn = folder / "raw"
    raw_set.draw(raw_set.bench_plan(plan_subs, size_px), drawn)
    drawn_s = time.monotonic() - start
    raw = raw_set.part(drawn, args.subs, folder / "raw-part")
    size = sum(path.stat().st_size for path in frames(raw))
    warm()  # as the set-up does, so that no run pays for the compiler
    os.sync()  # raw pages that the disk does not have yet would count as memory of who maps them
    load = os.getloadavg()[0]
    chain, ours = compare(raw, folder, args.repeat, not args.no_chain, _say)
    least = floor(raw, folder / "floor.fits", width * height)
    steps = []
    if args.growth:
        parts = [(n, raw_set.part(drawn, n, folder / f"raw-{n}")) for n in GROWTH_SUBS]
        steps = growth(parts, folder / "growth", args.repeat, _say)
    facts = RawSet(args.subs, len(raw_set.calibration(raw)), width, height, size, drawn_s)
    loads = (load, os.getloadavg()[0])
    return Outcome(facts, os.cpu_count() or 1, loads, chain, ours, least, steps)


def _check_disk(
    folder: Path, subs: int, size_px: tuple[int, int], args: argparse.Namespace
) -> None:
    """Refuse to begin where the files will not fit."""
    import raw_set

    needed = 1.1 * raw_set.disk_bytes(subs, args.subs, size_px, not args.no_chain)
    free = shutil.disk_usage(folder).free
    if free < needed:
        msg = (
            f"{folder}: {needed / 1e9:.1f} GB are needed and {free / 1e9:.1f} GB are free; choose "
            "a larger disk with --folder, or fewer --subs, or smaller frames."
        )
        raise UserError(msg)


def _say(line: str) -> None:
    """Print progress separately from results."""
    print(line, file=sys.stderr, flush=True)
