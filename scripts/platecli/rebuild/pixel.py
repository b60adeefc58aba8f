"""One pixel of a channel, sub by sub, for the verb `trace`."""

import math
import tempfile
from collections.abc import Iterator, Sequence
from pathlib import Path

from platecli.rebuild.remake import find_frames, make_again
from platecli.rebuild.task_runner import processors
from platecli.text.differing import columns
from platefiles.audit.pixel_history import (
    NightSample,
    PixelHistory,
    Sample,
    Source,
    pixel_history,
)
from platefiles.audit.raw_search import FOUND, RawFrame
from platefiles.core.errors import UserError
from platefiles.fits.hdu_layout import content_digest
from platefiles.fits.products_io import read_header
from platefiles.provenance.activities import RAW, Making, Record
from platelib.registration.sub_state import SubState


def history_of(
    file: Path, record: Record, raw_folders: Sequence[Path], x: int, y: int
) -> PixelHistory:
    """Integrate a pixel again, after remaking missing inputs of the channel.

    Parameters
    ----------
    file : Path
        A channel.
    record : Record
    raw_folders : sequence of Path
        Folders of raw frames; if empty, those of the run.
    x, y : int
        Counted from 1.

    Raises
    ------
    UserError
        If the file is not a channel or a raw frame is missing.
    """
    making = record.making
    if making.step != "integrate":
        channels = [m.product for m in record.makings.values() if m.step == "integrate"]
        others = f"; name one of its channels: {', '.join(channels)}" if channels else ""
        msg = f"{file}: --pixel needs a channel, but {making.step} made this file{others}"
        raise UserError(msg)
    frames = find_frames(file, record, raw_folders)
    with tempfile.TemporaryDirectory(prefix="platelog-") as name:
        inputs = _inputs(file, record, making, frames, Path(name))
        channel = Source(str(file), making.job, inputs)
        nights = []
        names, paths = (of.get("nights", ()) for of in (making.inputs, inputs))
        for product, path in zip(names, paths, strict=True):
            night = record.makings[product]
            own = _inputs(file, record, night, frames, Path(name))
            nights.append(Source(path, night.job, own))
        return pixel_history(channel, nights, x, y)


def _inputs(
    file: Path, record: Record, making: Making, frames: Sequence[RawFrame], scratch: Path
) -> dict[str, list[str]]:
    """Return files for the inputs of a channel: existing ones beside it, else remade ones."""
    gone = [frame.raw.name for frame in frames if frame.state != FOUND]
    if gone:
        names = f"{', '.join(gone[:5])}{', ...' if gone[5:] else ''}"
        msg = f"raw frames are missing or changed: {names}; name their folder with --raw"
        raise UserError(msg)
    paths = {product: _beside(file, record.makings[product]) for product in making.products}
    below = [record.of(product) for product, path in paths.items() if not path]
    if below:
        makings = {name: one for part in below for name, one in part.makings.items()}
        make_again(Record(makings, record.raws), frames, scratch, processors())
    paths = {product: path or str(scratch / product) for product, path in paths.items()}
    paths |= {f"{RAW}{frame.raw.sha256}": frame.path for frame in frames}
    return {name: [paths[one] for one in members] for name, members in making.inputs.items()}


def _beside(file: Path, making: Making) -> str:
    """Return the path of a product in the same results, if it is the recorded one."""
    path = file.absolute().parent.parent / making.product
    return str(path) if path.is_file() and content_digest(path) == making.digest else ""


def pixel_lines(file: Path, found: PixelHistory, x: int, y: int) -> Iterator[str]:
    """Yield the table of a pixel's samples, and whether their mean is the product's.

    Parameters
    ----------
    file : Path
        The channel.
    found : PixelHistory
    x, y : int
    """
    unit = read_header(file, "SCI").get("BUNIT", "")
    sigma = math.sqrt(found.recorded_variance)
    yield f"{file}: x {x}, y {y} (counted from 1): {found.recorded:.6g} +- {sigma:.2g} {unit}"
    rows = [("sub", "value", "sigma", "weight", "state")]
    nights = {night.night: night for night in found.nights}
    for sample in found.samples:
        if (night := nights.pop(sample.night, None)) is not None:
            rows.append((f"night {night.night}", *_numbers(night), night.fate))
        if sample.state != SubState.USED:
            rows.append((sample.name, "", "", "", f"not used: {sample.state}"))
            continue
        rows.append((sample.name, *_numbers(sample), sample.fate))
    yield from columns(rows)
    if found.same:
        yield "the weighted mean of the kept values is bit-identical to the pixel of the product"
    else:
        yield (
            f"the weighted mean of the kept values is {found.mean:.9g}, "
            f"the product has {found.recorded:.9g}"
        )


def _numbers(sample: Sample | NightSample) -> tuple[str, str, str]:
    return f"{sample.value:.6g}", f"{sample.sigma:.2g}", f"{sample.weight:.3g}"
