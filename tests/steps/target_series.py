"""Series of lights of targets, for the tests of drafts."""

from platefiles.raw_folders.frame_list import build_frame_list
from platefiles.raw_folders.scan import scan_folders

FIELD = {"FOCALLEN": 1000.0, "XPIXSZ": 500.0}
"""8 x 6 pixels of 103 arc seconds: 13.8 x 10.3 arc minutes."""


def light_names(loaded):
    """Give the names of the lights that a project takes."""
    frames = build_frame_list(scan_folders(loaded.raw_folders, None, False), loaded)
    return {frame.name for frame in frames if frame.role == "light"}


def series(bench, folder, count=4, exposure=120.0, filters=("G",), **cards):
    """Write lights into a folder."""
    for value in filters:
        for number in range(count):
            bench.frame(
                f"{folder}/{value or 'x'}{exposure:g}_{number}.fits",
                IMAGETYP="light",
                EXPTIME=exposure,
                FILTER=value,
                DATE_OBS=f"2026-02-03T22:{number:02d}:00",
                **cards,
            )
