"""A folder of single frames with a table of their times and places, and both animations."""

import json
from pathlib import Path
from typing import Any

from platefiles.blink.animation_files import write_animation, write_frame
from platefiles.blink.frame_drawing import FrameDrawing
from platefiles.core.atomic_write import write_whole
from platefiles.picture.picture_files import Label

TABLE = "frames.json"
ANIMATIONS = ("blink.webp", "blink.png")


def write_single_frames(folder: str | Path, drawing: FrameDrawing) -> list[Path]:
    """Write frames as ``0001.png``, ``0002.png`` ..., and ``frames.json``.

    Parameters
    ----------
    folder : path-like
        Made if needed.
    drawing : FrameDrawing

    Returns
    -------
    list of Path
        The frames.
    """
    Path(folder).mkdir(parents=True, exist_ok=True)
    paths = [Path(folder) / f"{number + 1:04d}.png" for number in range(len(drawing))]
    for number, path in enumerate(paths):
        write_frame(path, drawing(number))
    text = json.dumps(frame_table(drawing), indent=1) + "\n"
    write_whole(Path(folder) / TABLE, lambda target: target.write(text.encode("ascii")))
    return paths


def write_folder(folder: str | Path, drawing: FrameDrawing, label: Label) -> list[Path]:
    """Write both animations and, in ``frames``, the single frames; return the animations."""
    write_single_frames(Path(folder) / "frames", drawing)
    paths = [Path(folder) / name for name in ANIMATIONS]
    for path in paths:
        write_animation(path, drawing, label)
    return paths


def frame_table(drawing: FrameDrawing) -> dict[str, Any]:
    """Return what frames show as plain values.

    Returns
    -------
    dict
        ``title``; ``columns`` and ``rows`` of the grid, first and last, from 1; ``reduction``;
        ``sky``: ``ra_deg`` and ``dec_deg`` of the middle, ``scale_arcsec`` of a pixel of a frame,
        unit vectors ``north`` and ``east``, x to the right, y upward; or None. ``frames``, a row
        each: ``file``, ``middle_utc``, ``span_s``, ``exposure_s``, ``night``, ``subs``.
    """
    shown = drawing.shown
    sky = None
    if (place := shown.place) is not None:
        sky = {
            "ra_deg": round(place.ra, 6),
            "dec_deg": round(place.dec, 6),
            "scale_arcsec": round(place.scale_arcsec, 5),
            "north": [round(value, 5) for value in place.north],
            "east": [round(value, 5) for value in place.east],
        }
    rows = [
        {
            "file": f"{number:04d}.png",
            "middle_utc": one.middle_utc,
            "span_s": round(one.span_s, 3) if one.middle_utc else None,
            "exposure_s": round(one.exposure_s, 3),
            "night": one.night,
            "subs": [shown.names[sub] for sub in one.ids],
        }
        for number, one in enumerate(shown.facts, start=1)
    ]
    (bottom, top), (left, right) = shown.part.rows, shown.part.columns
    return {
        "title": drawing.title,
        "columns": [left + 1, right],
        "rows": [bottom + 1, top],
        "reduction": shown.part.factor,
        "sky": sky,
        "frames": rows,
    }
