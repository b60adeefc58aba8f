"""Combine the files of a master, a band of rows at a time."""

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack, contextmanager
from pathlib import Path
from typing import Any

import numpy as np
from astropy.io import fits

from platefiles.calibration.grouping import ENOUGH
from platefiles.calibration.master_job import MasterJob
from platefiles.core.errors import UserError
from platefiles.core.frame_errors import ChangedFrame, FrameError
from platefiles.core.hashing import file_sha256
from platefiles.fits.streaming_writer import StreamedProduct
from platefiles.fits.tables import columns_hdu
from platefiles.jobs.job_log import log
from platefiles.provenance.header_provenance import exposure_cards, making_cards
from platefiles.provenance.record import raw_record, record_hdu
from platefiles.raw_frames.raw_frame import RawImage, open_frame
from platefiles.raw_frames.sensor_sections import overscan_cards
from platelib.calibration.combine import Combined, combine_block

_BAND_ROWS = 64
BAND_BYTES = 64_000_000
"""Samples of the frames that are held at a time, if their words cannot be used as they are."""


class Offset:
    """The sum of the masters to subtract from raw frames, computed one band of rows at a time.

    Parameters
    ----------
    planes : sequence of numpy.ndarray
        ``(ny, nx)`` each, ADU, in any byte order.
    """

    def __init__(self, planes: Sequence[np.ndarray]):
        self._planes = planes

    def __getitem__(self, rows: slice) -> np.ndarray | None:
        """Return the offset of some rows, ``(rows, nx)`` float32; None where there is no master."""
        if not self._planes:
            return None
        total = self._planes[0][rows].astype(np.float32)
        for plane in self._planes[1:]:
            total += plane[rows]
        return total


def make_master(
    paths: Sequence[str | Path],
    job: MasterJob,
    make: Callable[[list[RawImage], list[dict[str, Any]]], None],
) -> None:
    """Open the frames of a master and combine the readable ones.

    Parameters
    ----------
    paths : sequence of path-like
        Raw frames, in the order of ``job.frames``.
    job : MasterJob
    make : callable
        Called with the images, all of one size, and their rows of the job.

    Raises
    ------
    UserError
        If no frame is left.
    """
    with ExitStack() as stack:
        images, frames = _open_frames(stack, paths, job.frames)
        if images:
            if len(images) < ENOUGH:
                log.warning(
                    "%s is made of %d of %d frames; fewer than %d add noise to the lights",
                    job.master, len(images), len(paths), ENOUGH,
                )  # fmt: skip
            try:
                make(images, frames)
            except ChangedFrame as error:
                msg = f"{error.name} {error}"
                raise UserError(msg) from error
            return
    msg = f"none of the {len(paths)} frames of {job.master} can be read; replace them"
    raise UserError(msg)


def _open_frames(stack: ExitStack, paths, rows) -> tuple[list[RawImage], list[dict[str, Any]]]:
    """Open frames, closed with the exit stack; leave out unreadable ones with the reason."""
    images: list[RawImage] = []
    frames: list[dict[str, Any]] = []
    for path, frame in zip(paths, rows, strict=True):
        try:
            image = open_frame(path, frame)
        except FrameError as error:
            log.warning("%s %s: left out", frame["name"], error)
            continue
        stack.callback(image.close)
        if images and image.shape != images[0].shape:
            log.warning("%s has another size than %s: left out", frame["name"], frames[0]["name"])
            continue
        images.append(image)
        frames.append(frame)
    return images, frames


@contextmanager
def digests_of(images: Sequence[RawImage], threads: int) -> Iterator[Iterable[str]]:
    """Yield the SHA-256 of each frame's file, computed in the background if there is a thread.

    After the last digest, each file is checked for writes since it was opened. A caller that
    exhausts the iterator after combining knows that the digests are those of the combined bytes.
    """
    if threads == 1:
        yield _until_unchanged(map(RawImage.sha256, images), images)
        return
    with ThreadPoolExecutor(1) as pool:
        yield _until_unchanged(pool.map(RawImage.sha256, images), images)


def _until_unchanged(digests: Iterable[str], images: Sequence[RawImage]) -> Iterator[str]:
    yield from digests
    for image in images:
        image.check_unchanged()


def combine_images(
    images: Sequence[RawImage],
    clip_sigma: float,
    product: StreamedProduct,
    offset: Offset | None = None,
    factors: Sequence[float] | None = None,
) -> None:
    """Combine frames after subtracting an offset and scaling each.

    Parameters
    ----------
    images : sequence of RawImage
        ``n`` frames of one shape ``(ny, nx)``.
    clip_sigma : float
        Limit of the clipping.
    product : StreamedProduct
        Its ``SCI``, ``VAR`` and ``COUNT`` are filled. The clipping uses the typical spread of a
        band, so the height of the bands is part of the method and independent of the machine.
    offset : Offset, optional
        ADU.
    factors : sequence of float, optional
        ``n`` factors, applied after the offset.
    """
    ny, nx = images[0].shape
    height = min(_BAND_ROWS, max(4, BAND_BYTES // (len(images) * nx * 4)))
    number = -(-ny // height)
    combined = Combined.of_shape((height, nx))
    for k in range(number):
        top, bottom = k * ny // number, (k + 1) * ny // number
        rows = slice(top, bottom)
        words = [image.words(top, bottom) for image in images]
        below = None if offset is None else offset[rows]
        part = combine_block(words, clip_sigma, below, factors, combined.rows(0, bottom - top))
        planes = {"SCI": part.mean, "VAR": part.variance, "COUNT": part.count}
        product.fill(planes, (top, bottom))


def master_product(
    path: str | Path, cards: Sequence[tuple], shape: tuple[int, int], unit: str | None, mask: bool
) -> StreamedProduct:
    """Start the product of a master: ``SCI``, ``VAR``, ``COUNT`` and, if wanted, ``MASK``."""
    images: dict[str, tuple] = {
        "SCI": (shape, "f4", (), unit),
        "VAR": (shape, "f4", (), unit and f"{unit}2"),
        "COUNT": (shape, "i2", (), None),
    }
    if mask:
        images["MASK"] = (shape, "u1", (), None)
    return StreamedProduct(path, cards, images)


def master_cards(step: str, job: MasterJob, frames: Sequence[Mapping]) -> list[tuple]:
    """Return the primary header of a master."""
    times = [(frame["start_utc"], frame["exposure_s"]) for frame in frames]
    return [
        *making_cards(step, job.recorded),
        ("MASTER", job.master),
        ("MBIAS", job.bias or "none"),
        ("MDARK", job.dark or "none"),
        *exposure_cards(times),
        *overscan_cards(frames),
    ]


def closing_hdus(
    kind: str,
    paths: tuple[Sequence[str | Path], Sequence[str | Path] | None, str | Path],
    job: MasterJob,
    frames: Sequence[Mapping[str, Any]],
    digests: Iterable[str],
    factors: Sequence[float],
) -> list[fits.BinTableHDU | fits.ImageHDU]:
    """Return the HDUs after the images of a master: the table of its frames and its record.

    Parameters
    ----------
    kind : str
        bias, dark or flat.
    paths : tuple
        Of the raw frames, of the subtracted masters (None if the step takes none) and of the
        master.
    job : MasterJob
    frames : sequence of mapping
        Rows of ``job.frames`` of the combined frames.
    digests : iterable of str
        SHA-256 of each file.
    factors : sequence of float
        Scale factor of each frame.
    """
    paths_to_raw, paths_to_masters, path_to_master = paths
    known = dict(zip((frame["id"] for frame in frames), digests, strict=True))
    raws = [
        raw_record(kind, frame, known.get(frame["id"]) or file_sha256(path), path)
        for path, frame in zip(paths_to_raw, job.frames, strict=True)
    ]
    inputs: dict[str, Sequence] = {"raw": raws}
    if paths_to_masters is not None:
        taken = (job.bias, job.dark)
        inputs["masters"] = [path for path in paths_to_masters if Path(path).stem in taken]
    record = record_hdu(f"master_{kind}", path_to_master, job.recorded, inputs)
    return [_inputs_hdu(frames, list(known.values()), factors), record]


def _inputs_hdu(
    frames: Sequence[Mapping[str, Any]], digests: Sequence[str], factors: Sequence[float]
) -> fits.BinTableHDU:
    """Return the table of the combined frames of a master."""
    columns = {
        "id": [frame["id"] for frame in frames],
        "name": [frame["name"] for frame in frames],
        "sha256": digests,
        "exposure_s": [float(frame["exposure_s"]) for frame in frames],
        "factor": np.asarray(factors, dtype=np.float64),
    }
    return columns_hdu(columns, "INPUTS")
