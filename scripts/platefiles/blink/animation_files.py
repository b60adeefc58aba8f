"""Animations as WebP and as PNG, whole or not at all, the same bytes every time.

WebP is lossy and small, PNG holds the display values as they are. Every frame is whole, none is
stored as a difference from the one before: encoders leave out differences that are faint.

References
----------
RFC 9649, WebP, section 2.7. PNG, third edition (W3C, 2025), sections 4.9 and 11.3.6: animation.
"""

import zlib
from collections.abc import Callable
from io import BytesIO
from pathlib import Path
from typing import BinaryIO

import numpy as np
from PIL import Image, PngImagePlugin

from platefiles.blink.frame_drawing import FrameDrawing
from platefiles.core.atomic_write import write_whole
from platefiles.picture.picture_files import Label, srgb_profile
from platefiles.picture.png_file import metadata_chunks, png_chunk
from platefiles.provenance.content_digest import seal_file

FRAME_MS, LAST_MS = 250, 1000
"""How long a frame is shown, and the last one."""

_WEBP_QUALITY, _WEBP_EFFORT = 65, 4
_PNG_LEVEL = 6
_GREY_8_BITS = b"\x08\x00\x00\x00\x00"
_PERCEPTUAL = b"\x00"
_FILTERS = (0, 1, 2)


def write_animation(path: str | Path, frames: FrameDrawing, label: Label) -> None:
    """Write an animation in the format of its extension; it repeats for ever.

    Parameters
    ----------
    path : path-like
        Ends with ``.webp`` or ``.png``.
    frames : FrameDrawing
    label : Label

    Raises
    ------
    ValueError
        If the extension is unknown.
    """
    suffix = Path(path).suffix
    if suffix not in _WRITERS:
        msg = f"'{path}' ends with '{suffix}': known are {', '.join(_WRITERS)}"
        raise ValueError(msg)

    def write(target: BinaryIO) -> None:
        _WRITERS[suffix](target, frames, label)
        seal_file(target)

    write_whole(path, write)


def write_frame(path: str | Path, display: np.ndarray) -> None:
    """Write a single frame as PNG.

    Parameters
    ----------
    path : path-like
    display : numpy.ndarray
        ``(ny, nx)`` uint8, row 0 at the top.
    """
    content = b"".join(
        [
            b"\x89PNG\r\n\x1a\n",
            _head(display),
            png_chunk(b"IDAT", _packed(display)),
            png_chunk(b"IEND", b""),
        ]
    )
    write_whole(path, lambda target: target.write(content))


def _webp(target: BinaryIO, frames: FrameDrawing, label: Label) -> None:
    first, *others = (Image.fromarray(frames(k)) for k in range(len(frames)))
    content = BytesIO()
    first.save(
        content,
        format="WEBP",
        save_all=True,
        append_images=others,
        duration=_durations(len(frames)) if others else FRAME_MS,
        loop=0,
        quality=_WEBP_QUALITY,
        method=_WEBP_EFFORT,
        kmin=0,
        kmax=1,
        icc_profile=srgb_profile(),
        xmp=label.packet("webp"),
    )
    target.write(content.getvalue())


def _png(target: BinaryIO, frames: FrameDrawing, label: Label) -> None:
    text = PngImagePlugin.PngInfo()
    text.add_itxt("Title", label.title)
    text.add_itxt("Comment", label.method)
    text.add_itxt("Software", label.software)
    text.add_itxt("XML:com.adobe.xmp", label.packet("png"))
    signature, others, tail = metadata_chunks(text, None)
    count, number = len(frames), 0
    for k, duration in enumerate(_durations(count)):
        display = frames(k)
        if not k:
            target.write(signature + _head(display) + others)
            target.write(png_chunk(b"acTL", count.to_bytes(4, "big") + bytes(4)))
        target.write(png_chunk(b"fcTL", _control(number, display, duration)))
        number += 1
        if not k:
            target.write(png_chunk(b"IDAT", _packed(display)))
        else:
            target.write(png_chunk(b"fdAT", number.to_bytes(4, "big") + _packed(display)))
            number += 1
    target.write(tail)


def _durations(count: int) -> list[int]:
    return [*[FRAME_MS] * (count - 1), LAST_MS]


def _head(display: np.ndarray) -> bytes:
    ny, nx = display.shape
    size = nx.to_bytes(4, "big") + ny.to_bytes(4, "big")
    return png_chunk(b"IHDR", size + _GREY_8_BITS) + png_chunk(b"sRGB", _PERCEPTUAL)


def _control(number: int, display: np.ndarray, duration_ms: int) -> bytes:
    """Return the content of an ``fcTL`` chunk: a whole frame in place of the one before."""
    ny, nx = display.shape
    words = (number, nx, ny, 0, 0)
    delay = duration_ms.to_bytes(2, "big") + (1000).to_bytes(2, "big")
    return b"".join(word.to_bytes(4, "big") for word in words) + delay + b"\x00\x00"


def _packed(display: np.ndarray) -> bytes:
    """Compress a frame, with the filter whose differences take the fewest bits one by one."""
    best = min((_filtered(display, kind) for kind in _FILTERS), key=_bits)
    return zlib.compress(best.tobytes(), _PNG_LEVEL)


def _filtered(display: np.ndarray, kind: int) -> np.ndarray:
    """Return lines with the number of their filter: none, sub or up (PNG, section 9.2)."""
    lines = np.empty((display.shape[0], display.shape[1] + 1), dtype=np.uint8)
    lines[:, 0], lines[:, 1:] = kind, display
    if kind == 1:
        lines[:, 2:] -= display[:, :-1]
    elif kind:
        lines[1:, 1:] -= display[:-1]
    return lines


def _bits(lines: np.ndarray) -> float:
    """Return the information of bytes taken one by one, bits (Shannon 1948)."""
    counts = np.bincount(lines.reshape(-1), minlength=256)
    shares = counts[counts > 0] / lines.size
    return round(float(-np.sum(shares * np.log2(shares))), 6)


_WRITERS: dict[str, Callable[[BinaryIO, FrameDrawing, Label], None]] = {
    ".webp": _webp,
    ".png": _png,
}
