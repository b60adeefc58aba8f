"""One pixel of a channel, sub by sub, for the verb `trace`."""

import math
import os
import tempfile
from collections.abc import Iterator, Sequence
from pathlib import Path

from platecli.differing import columns
from platecli.replay import find_frames, make_again
from platefiles.errors import UserError
from platefiles.fitsfile import read_header
from platefiles.pixel import PixelHistory, pixel_history
from platefiles.provenance import file_sha256
from platefiles.raw_search import RawFrame
from platefiles.record import Making, Record
from platefiles.remaking import part_of


def history_of(
    file: Path, record: Record, raw_folders: Sequence[Path], x: int, y: int
) -> PixelHistory:
    """Integrate a pixel again; what the channel is made from is made again where it is gone.

    Parameters
    ----------
    file : Path
        A channel.
    record : Record
    raw_folders : sequence of Path
        Where raw frames lie; empty for where the run has them.
    x, y : int
        Counted from 1.

    Raises
    ------
    UserError
        If the file is no channel, or a raw frame is not found.
    """
    making = list(record.makings.values())[-1]
    if making.step != "integrate":
        channels = [m.product for m in record.makings.values() if m.step == "integrate"]
        others = f"; ask one of its channels: {', '.join(channels)}" if channels else ""
        msg = f"{file}: --pixel looks into a channel, and this was made by {making.step}{others}"
        raise UserError(msg)
    frames = find_frames(file, record, raw_folders)
    with tempfile.TemporaryDirectory(prefix="platelog-") as name:
        inputs = _inputs(file, record, making, frames, Path(name))
        return pixel_history(file, making.job, inputs, x, y)


def _inputs(
    file: Path, record: Record, making: Making, frames: Sequence[RawFrame], scratch: Path
) -> dict[str, list[str]]:
    """Return files for the inputs of a channel: as they lie beside it, or else made again."""
    gone = [f.raw.name for f in frames if not f.path]
    wanted = {one for members in making.inputs.values() for one in members} & set(record.makings)
    near = {product: _beside(file, record.makings[product]) for product in wanted}
    below = part_of(record, [product for product, path in near.items() if not path])
    if gone:
        msg = f"raw frames are missing: {', '.join(gone[:5])}; name their folder with --raw"
        raise UserError(msg)
    if below.makings:
        make_again(below, frames, scratch, len(os.sched_getaffinity(0)))
    paths = {f"raw:{frame.raw.sha256}": frame.path for frame in frames}
    paths |= {product: path or str(scratch / product) for product, path in near.items()}
    return {name: [paths[one] for one in members] for name, members in making.inputs.items()}


def _beside(file: Path, making: Making) -> str:
    """Return the path of a product in the same results, if it is the recorded one."""
    path = file.absolute().parent.parent / making.product
    return str(path) if path.is_file() and file_sha256(path) == making.digest else ""


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
    rows = [("sub", "value", "sigma", "weight", "what became of it")]
    for sample in found.samples:
        if sample.state != "used":
            rows.append((sample.name, "", "", "", f"not used: {sample.state}"))
            continue
        numbers = f"{sample.value:.6g}", f"{sample.sigma:.2g}", f"{sample.weight:.3g}"
        rows.append((sample.name, *numbers, sample.fate))
    yield from columns(rows)
    if found.same:
        yield "the weighted mean of what was kept is the pixel of the product, to the last bit"
    else:
        yield f"made again it is {found.mean:.9g}, in the product {found.recorded:.9g}"
