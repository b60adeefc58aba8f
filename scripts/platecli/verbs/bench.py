"""The verb `bench`: measure platelog and chains of general libraries on the same files.

The first part goes from raw frames to one channel of many subs, the second from raw frames to the
picture of three channels of few subs.
"""

import argparse
import json
import re
import shutil
import signal
import sys
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from importlib import import_module
from pathlib import Path

from platecli.execution.engine import ROOT
from platefiles.core.errors import UserError

BENCH = ROOT / "tests" / "bench"
FEWEST_SUBS = 3
CHANNEL_SUBS, PICTURE_SUBS = 40, 4
LEAST_MPX, MOST_MPX = 0.25, 200.0
LEAST_SIDE_PX = 256
_OWN_FOLDER = "platelog-bench"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments of `bench`."""
    parser.add_argument(
        "--to",
        choices=("channels", "picture", "all"),
        help="measure only from raw frames to one channel, to the picture of three channels, or "
        "to all products (default: to one channel, then to the picture)",
    )
    parser.add_argument(
        "--subs",
        type=int,
        help=f"light frames of the channel (default: {CHANNEL_SUBS}); with --to picture or all of "
        f"each channel (default: {PICTURE_SUBS})",
    )
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
        help="also measure how cost grows: with 10 to 80 subs, or, with --to picture or all, with "
        "frames of 4 to 61 megapixels",
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
    with _own_folder(args.folder, args.keep) as folder:
        found = _measure(args, folder)
    if args.json:
        print(json.dumps(found, indent=1))
    return 0


def _measure(args: argparse.Namespace, folder: Path) -> dict:
    """Measure the parts that are asked for, print each as soon as it is known, and return both."""
    import picture_tables
    import raw_set
    import tables
    from parts import (
        Options,
        channel_bytes,
        channel_part,
        check_disk,
        picture_bytes,
        picture_part,
    )

    from platecli.execution.warm import warm

    size_px = parse_size(args.size) if args.size else raw_set.frame_size(args.mpx)
    options = Options(size_px, args.repeat, not args.no_chain, args.growth, args.keep)
    # Growth with the size of frames takes long: it is measured only if that part is asked for.
    of_picture = replace(options, growth=args.growth and args.to is not None)
    channel_subs, picture_subs = subs_of_parts(args.to, args.subs)
    needs = []
    if channel_subs is not None:
        needs.append(channel_bytes(channel_subs, options))
    if picture_subs is not None:
        needs.append(picture_bytes(picture_subs, of_picture))
    check_disk(folder, needs, args.keep)
    warm()  # as the set-up does, so that no run pays for the compiler
    found: dict = {}
    if channel_subs is not None:
        outcome = channel_part(folder, channel_subs, options, _say)
        found |= tables.as_json(outcome)
        if not args.json:
            print("\n" + tables.as_text(outcome), flush=True)
    if picture_subs is not None:
        target = args.to or "picture"
        outcome = picture_part(folder, picture_subs, target, of_picture, _say)
        found["picture"] = picture_tables.as_json(outcome)
        if not args.json:
            print("\n" + picture_tables.as_text(outcome), flush=True)
    return found


def subs_of_parts(to: str | None, subs: int | None) -> tuple[int | None, int | None]:
    """Return the subs of the first part, and of each channel of the second; None for neither.

    Parameters
    ----------
    to, subs
        As given on the command line.
    """
    if to in ("picture", "all"):
        return None, subs or PICTURE_SUBS
    return subs or CHANNEL_SUBS, None if to == "channels" else PICTURE_SUBS


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
    if args.subs is not None and args.subs < FEWEST_SUBS:
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
            print(f"The raw frames are in {folder}.", file=sys.stderr)
        else:
            shutil.rmtree(folder, ignore_errors=True)


def _clear(folder: Path) -> None:
    """Remove everything but the raw frames."""
    from parts import RAW_FOLDERS

    for path in folder.iterdir():
        if path.is_dir() and path.name not in RAW_FOLDERS:
            shutil.rmtree(path)


def _say(line: str) -> None:
    """Print progress separately from results."""
    print(line, file=sys.stderr, flush=True)
