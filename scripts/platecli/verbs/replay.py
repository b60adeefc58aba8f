"""The verb `replay`: make a product again from raw frames alone, and compare the two."""

import argparse
import sys
from collections.abc import Iterator, Sequence
from pathlib import Path

from platecli.arguments.naming import add_directory, file_word
from platecli.rebuild.remake import find_frames, make_again
from platecli.rebuild.task_runner import processors
from platecli.text import outcome
from platecli.text.differing import columns, difference_lines
from platecli.text.screen import show
from platecli.verbs.run import MACHINE
from platefiles.audit.environment_changes import altered
from platefiles.audit.product_differences import compare_files
from platefiles.audit.raw_search import CHANGED, FOUND, MISSING, RawFrame
from platefiles.config.machine import read_machine
from platefiles.core.errors import UserError
from platefiles.core.hashing import file_sha256
from platefiles.fits.hdu_layout import content_digest
from platefiles.picture.picture_source import record_of
from platefiles.provenance.activities import Record
from platelog import STOPPED

DIFFERS = 6
"""Exit status: the product was made again and its pixels or tables are others."""

SHOWN = 5


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments of `replay`."""
    parser.add_argument(
        "file",
        type=Path,
        help="a product: FITS file or picture of the results; or a project, for its picture",
    )
    parser.add_argument(
        "--into", type=Path, required=True, metavar="DIR", help="a new or empty folder to work in"
    )
    add_raw(parser)
    add_directory(parser)
    parser.add_argument("--cores", type=int, help="processors to use (default: all)")
    parser.epilog = (
        f"Exit status: 0 identical, {DIFFERS} pixels or tables differ, {outcome.FAILED} it could "
        f"not be made again, {outcome.WRONG} the command is wrong."
    )


def add_raw(parser: argparse.ArgumentParser) -> None:
    """Declare where raw frames may be."""
    parser.add_argument(
        "--raw",
        type=Path,
        action="append",
        default=[],
        metavar="DIR",
        help="a folder with the raw frames, wherever it lies now; may be given more than once "
        "(default: where the run found them)",
    )


def run(args: argparse.Namespace) -> int:
    """Make the product again and say how it compares."""
    machine = read_machine(MACHINE)
    cores = args.cores if args.cores is not None else machine.cores or processors()
    if cores < 1:
        print(f"--cores {cores}: at least 1 is needed.", file=sys.stderr)
        return outcome.WRONG
    args.file = file_word(args.file, args.directory)
    record = record_of(args.file)
    if record.making.step == "overlay":
        msg = f"{args.file}: shows your own image, which no record holds; `run` makes it again"
        raise UserError(msg)
    folder = empty_folder(args.into)
    frames = find_frames(args.file, record, args.raw)
    show(_frame_lines(frames))
    try:
        again = make_again(record, frames, folder, cores, machine.memory_gb)
    except KeyboardInterrupt:
        print(f"Stopped; empty {folder} before you run it again.", file=sys.stderr)
        return STOPPED
    return _report(args.file, again, folder, record, frames)


def empty_folder(folder: Path) -> Path:
    """Make a folder if it is not there.

    Raises
    ------
    UserError
        If there is something in it.
    """
    folder = folder.absolute()
    try:
        folder.mkdir(parents=True, exist_ok=True)
        empty = not any(folder.iterdir())
    except OSError as error:
        msg = f"--into {folder}: {error.strerror}; name a new or an empty folder"
        raise UserError(msg) from error
    if not empty:
        msg = f"--into {folder} is not empty; name a new or an empty folder"
        raise UserError(msg)
    return folder


def _frame_lines(frames: Sequence[RawFrame]) -> Iterator[str]:
    found = sum(1 for frame in frames if frame.state == FOUND)
    yield f"raw frames: {found} of {len(frames)} found by their digests"
    for state in (CHANGED, MISSING):
        names = [frame.raw.name for frame in frames if frame.state == state]
        more = f" and {len(names) - SHOWN} more" if names[SHOWN:] else ""
        if names:
            yield f"  {state}: {', '.join(names[:SHOWN])}{more}"


def _report(
    file: Path, again: Path, folder: Path, record: Record, frames: Sequence[RawFrame]
) -> int:
    """Compare the product with the one made again, and print the result."""
    digests = [file_sha256(path) for path in (file, again)]
    show([f"recorded    {digests[0]}  {file}", f"made again  {digests[1]}  {again}"])
    if digests[0] == digests[1]:
        print("identical")
        return 0
    found = compare_files(file, again)
    if found.same_data:
        print("identical in all pixels and tables; the headers differ")
    else:
        print("differs")
    way = () if found.same_data else _way_lines(record, folder)
    lines = (*_cause_lines(record, frames), *way, *difference_lines(found))
    show(f"  {line}" for line in lines)
    return 0 if found.same_data else DIFFERS


def _way_lines(record: Record, folder: Path) -> Iterator[str]:
    """Return how many intermediate products differ from the record, and the first."""
    on_the_way = [one for one in record.makings.values() if one.digest and one != record.making]
    others = [one for one in on_the_way if content_digest(folder / one.product) != one.digest]
    if others:
        first = others[0].product
        yield f"{len(others)} of {len(on_the_way)} intermediate products differ, first {first}"
    elif on_the_way:
        yield f"all {len(on_the_way)} intermediate products are as recorded"


def _cause_lines(record: Record, frames: Sequence[RawFrame]) -> Iterator[str]:
    """List changes since the product was made."""
    rows = [("what", "recorded", "here"), *altered(record)]
    rows += [
        (f"raw frame {frame.raw.name}", frame.raw.sha256[:16], frame.state)
        for frame in frames
        if frame.state != FOUND
    ]
    if len(rows) == 1:
        yield "code, libraries and raw frames are as recorded"
        return
    yield from columns(rows)
