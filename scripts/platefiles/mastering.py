"""Combining the files of a master, a band of rows at a time."""

from collections.abc import Mapping, Sequence
from contextlib import ExitStack
from pathlib import Path
from typing import Any

import numpy as np
from astropy.table import Table

from platefiles.errors import UserError
from platefiles.joblog import log
from platefiles.provenance import exposure_cards, file_sha256, making_cards
from platefiles.rawframe import FrameError, RawImage, open_raw
from platelib.combine import Combined, combine_block

BAND_BYTES = 64_000_000
"""Raw samples held at a time; the combination needs about six times as much."""


def open_frames(
    stack: ExitStack, paths: Sequence[str | Path], job: Mapping[str, Any]
) -> tuple[list[RawImage], list[dict[str, Any]]]:
    """Open the frames of a master; one that cannot be read is left out with its reason.

    Returns
    -------
    images : list of RawImage
        Those of one size that could be opened; they close with ``stack``.
    frames : list of dict
        A row of the job for each, with its ``sha256``, in the same order.

    Raises
    ------
    UserError
        If none is left.
    """
    images: list[RawImage] = []
    frames: list[dict[str, Any]] = []
    for path, frame in zip(paths, job["frames"], strict=True):
        try:
            image = stack.enter_context(open_raw(path))
            image.probe()
        except FrameError as error:
            log.warning("%s %s: left out", frame["name"], error)
            continue
        if images and image.shape != images[0].shape:
            log.warning("%s has another size than %s: left out", frame["name"], frames[0]["name"])
            continue
        images.append(image)
        frames.append({**frame, "sha256": file_sha256(path)})
    if not images:
        msg = f"none of the {len(paths)} frames of {job['master']} can be read; replace them"
        raise UserError(msg)
    return images, frames


def combine_images(
    images: Sequence[RawImage],
    clip_sigma: float,
    offset: np.ndarray | None = None,
    factors: Sequence[float] | None = None,
) -> Combined:
    """Combine frames after taking off an offset and scaling each.

    Parameters
    ----------
    images : sequence of RawImage
        ``n`` frames of one shape ``(ny, nx)``.
    clip_sigma : float
        Limit of the clipping.
    offset : numpy.ndarray, optional
        ``(ny, nx)`` float32, ADU.
    factors : sequence of float, optional
        ``n`` factors, applied after the offset.

    Returns
    -------
    Combined
        Whole planes. The clipping takes the typical spread of a band, so ``BAND_BYTES`` is part
        of the method and not a matter of the machine.
    """
    ny, nx = images[0].shape
    height = max(4, BAND_BYTES // (len(images) * nx * 4))
    combined = Combined.of_shape((ny, nx))
    for top in range(0, ny, height):
        bottom = min(ny, top + height)
        below = None if offset is None else np.asarray(offset[top:bottom], dtype=np.float32)
        words = [image.words(top, bottom) for image in images]
        combine_block(words, clip_sigma, below, factors, combined.rows(top, bottom))
    return combined


def master_cards(step: str, job: Mapping[str, Any], frames: Sequence[Mapping]) -> list[tuple]:
    """Return the primary header of a master."""
    times = [(frame["start_utc"], frame["exposure_s"]) for frame in frames]
    return [
        *making_cards(step, job),
        ("MASTER", job["master"], "name of the master"),
        ("MBIAS", job["bias"] or "none", "master bias taken from the frames"),
        ("MDARK", job["dark"] or "none", "master dark taken from the frames"),
        *exposure_cards(times),
    ]


def inputs_table(frames: Sequence[Mapping[str, Any]], factors: Sequence[float]) -> Table:
    """Return the table of the frames that a master was made of."""
    return Table(
        {
            "id": [frame["id"] for frame in frames],
            "name": [frame["name"] for frame in frames],
            "sha256": [frame["sha256"] for frame in frames],
            "exposure_s": [float(frame["exposure_s"]) for frame in frames],
            "factor": [float(factor) for factor in factors],
        }
    )
