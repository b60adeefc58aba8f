"""The verb `compare`: list the differences of two versions of a picture or a channel."""

import argparse
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from astropy.io import fits

from platecli.arguments.naming import add_directory, file_word
from platecli.text.differing import columns, percent
from platecli.text.screen import show
from platefiles.audit.environment_changes import changes, surroundings
from platefiles.audit.grid_overlap import lay_over
from platefiles.audit.product_differences import (
    PlaneDifference,
    compare_colours,
    compare_files,
)
from platefiles.audit.product_versions import SubChange, setting_changes, state_counts, sub_changes
from platefiles.core.errors import UserError
from platefiles.fits.image_rows import PlaneRows
from platefiles.fits.products_io import read_header
from platefiles.integration.sub_rows import SubRow, read_sub_rows
from platefiles.picture.picture_source import (
    PictureFile,
    is_picture,
    product_of,
    record_of,
)
from platefiles.picture.side_by_side_picture import write_side_by_side
from platefiles.provenance.activities import Record
from platefiles.settings.picture import Stretch
from platelib.picture.image_difference import PERCENTILES, Difference, Overlap
from platelib.picture.pixels import PixelsPart
from platelib.picture.reduced import RowsPart
from platelib.picture.side_by_side import Panels, display_panels, linear_panels
from platelib.picture.stretch import Look

SHOWN = 8
_COUNTS = ("COUNT", "CLIPPED")


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments of `compare`."""
    parser.add_argument(
        "first", type=Path, metavar="A", help="a picture, linear image or channel; or a project"
    )
    parser.add_argument("second", type=Path, metavar="B", help="another version of it")
    parser.add_argument(
        "--into",
        type=Path,
        metavar="FILE.png",
        help="write both and their difference side by side, to a new file",
    )
    add_directory(parser)
    parser.epilog = "Differences are B less A. Exit status: 0 whether or not they differ."


@dataclass(frozen=True)
class _Version:
    """One of the two files, with what is known of how it came to be."""

    file: Path
    record: Record | None
    rows: tuple[SubRow, ...]
    why_unknown: str

    @classmethod
    def of(cls, file: Path) -> "_Version":
        try:
            product = product_of(file)
            return cls(file, record_of(file), tuple(read_sub_rows(product)), "")
        except UserError as problem:
            return cls(file, None, (), str(problem))


def run(args: argparse.Namespace) -> int:
    """Compare two files and print what differs."""
    first, second = (file_word(word, args.directory) for word in (args.first, args.second))
    for file in (first, second):
        if not file.is_file():  # a pipe would be waited for without end
            msg = f"{file}: is not a file; name a picture or a FITS file"
            raise UserError(msg)
    if is_picture(first) != is_picture(second):
        msg = f"{first} and {second}: compare two pictures, or two FITS files, not one of each"
        raise UserError(msg)
    if args.into is not None and (args.into.suffix.lower() != ".png" or args.into.exists()):
        msg = f"--into {args.into}: name a new file that ends with .png"
        raise UserError(msg)
    versions = (_Version.of(first), _Version.of(second))
    laid = lay_over((first, second), [version.record for version in versions])
    common = laid.common
    show([f"A  {first}", f"B  {second}"])
    show(_making_lines(*versions))
    show([*_common_lines(common), *([laid.note] if laid.note else [])])
    pictures = _picture_parts(first, second, common) if is_picture(first) else None
    if pictures is not None:
        planes = compare_colours(*pictures)
    else:
        planes = compare_files(first, second, _COUNTS, common).planes
    show(_lines(planes, _unit(first)))
    if args.into is not None:
        panels = (
            display_panels(*pictures) if pictures else _linear_panels(first, second, laid.common)
        )
        span = f"black to white ±{panels.limit:.3g} {_unit(first)}".rstrip()
        last = f"B - A, {span}" if panels.limit else "B - A: no pixel differs"
        write_side_by_side(args.into, panels, (f"A  {first}", f"B  {second}", last))
        show([f"side by side: {args.into}"])
    return 0


def _common_lines(common: Overlap) -> Iterator[str]:
    """Say which area is compared, and what each image has outside it."""
    if common.is_all:
        return
    ny, nx = common.shape
    parts = []
    for number, name in enumerate("AB"):
        left, right, below, above = common.margins(number)
        share = percent(common.share_outside(number))
        sides = f" (pixels: left {left}, right {right}, below {below}, above {above})"
        is_more = any(common.margins(number))
        parts.append(f"{name} has {share if is_more else 'nothing'} outside{sides * is_more}")
    yield f"common area: {nx} x {ny} pixels; {'; '.join(parts)}"


def _making_lines(one: _Version, other: _Version) -> Iterator[str]:
    """Describe the differences in provenance."""
    for version in (one, other):
        if version.why_unknown:
            yield f"its provenance is unknown: {version.why_unknown}"
    if one.record is None or other.record is None:
        return
    yield from _sub_lines(one, other)
    settings = [("setting", "A", "B")]
    settings += [
        (f"{change.step}: {change.key}", _word(change.first), _word(change.second))
        for change in setting_changes(one.record, other.record)
    ]
    around = [("made with", "A", "B")]
    around += changes(surroundings(one.record), surroundings(other.record))
    for rows, nothing in (
        (settings, "settings: the same"),
        (around, "code and software: the same"),
    ):
        yield from columns(rows) if rows[1:] else [nothing]


def _sub_lines(one: _Version, other: _Version) -> Iterator[str]:
    silent = [name for name, version in (("A", one), ("B", other)) if not version.rows]
    if silent:
        yield f"subs: {' and '.join(silent)} does not list them"
        return
    found = sub_changes(one.rows, other.rows)
    if not found:
        yield "subs: the same, with the same states and weights"
    for words, members in state_counts(found).items():
        names = [_sub_words(change, words) for change in members[:SHOWN]]
        more = f" and {len(members) - SHOWN} more" if members[SHOWN:] else ""
        yield f"subs: {len(members)} {words}: {', '.join(names)}{more}"


def _sub_words(change: SubChange, words: str) -> str:
    if words == "another weight":
        return f"{change.name} {change.first_weight:.3g} -> {change.second_weight:.3g}"
    return change.name


def _word(value: object) -> str:
    return "none" if value is None else str(value)


def _lines(planes: Sequence[PlaneDifference], unit: str) -> Iterator[str]:
    """Say how much the pixels differ, plane by plane."""
    rows = [("B - A", "differ", "mean", "rms", *(f"{p:g} %" for p in PERCENTILES), "unit")]
    for plane in planes:
        rows.append(_row(plane.name, plane.values, "" if plane.name == "VAR" else unit))
        if plane.in_noise is not None:
            rows.append(_row(plane.name, plane.in_noise, "sigma of A"))
    yield from columns(rows)


def _unit(file: Path) -> str:
    return "of full scale" if is_picture(file) else str(read_header(file, "SCI").get("BUNIT", ""))


def _row(name: str, found: Difference, unit: str) -> tuple[str, ...]:
    numbers = (found.mean, found.rms, *found.percentiles)
    return (name, percent(found.share), *(f"{number:.3g}" for number in numbers), unit)


def _picture_parts(first: Path, second: Path, common: Overlap) -> tuple[PixelsPart, PixelsPart]:
    one, other = PictureFile(first), PictureFile(second)
    return PixelsPart(one, common.first), PixelsPart(other, common.second)


def _linear_panels(first: Path, second: Path, common: Overlap) -> Panels:
    """Draw two linear images and their difference by the usual stretch of the first.

    Raises
    ------
    UserError
        If there is nothing to draw.
    """
    with fits.open(first, memmap=False) as ones, fits.open(second, memmap=False) as others:
        one = RowsPart(PlaneRows.of(ones["SCI"]), common.first)
        other = RowsPart(PlaneRows.of(others["SCI"]), common.second)
        try:
            return linear_panels(one, other, Look(**Stretch().model_dump()))
        except ValueError as error:
            msg = f"{first}: {error}"
            raise UserError(msg) from error
