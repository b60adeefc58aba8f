"""The product of ``draw_blink``: display values of the frames of a channel, and what they show."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from astropy.io import fits

from platefiles.blink.resampled_frames import FrameFacts, Frames
from platefiles.fits.grid_place import GridPlace
from platefiles.fits.products_io import image_hdu, map_image, read_header
from platefiles.fits.tables import columns_hdu, read_columns, rows_of
from platefiles.fits.wcs_cards import coarser_cards, picture_wcs
from platefiles.picture.picture_wcs import map_of_wcs
from platefiles.registration.registration_table import RegisteredSub
from platelib.astrometry.tan_sip import SkyMap
from platelib.blink.display_levels import (
    common_background,
    display_curve,
    display_values,
    mean_of,
    without_small_gaps,
)
from platelib.blink.grid_part import GridPart
from platelib.picture.graticule import directions

FRAMES, SUBS, DRAWING = "FRAMES", "SUBS", "DRAWING"

_FRAME_COLUMNS = {
    "middle_utc": "middle of the exposures, UTC; empty: unknown",
    "span_s": "from the first begin to the last end of an exposure, s",
    "exposure_s": "sum of the exposures, s",
    "night": "night, noon to noon",
}
_SUB_COLUMNS = {
    "id": "id of the sub",
    "name": "file inside the raw folder",
    "sha256": "SHA-256 of the raw file",
    "night": "night, noon to noon",
    "start_utc": "start of the exposure, UTC",
    "exposure_s": "exposure, s",
    "state": "used, or the reason for rejection",
    "reason": "reason as a sentence",
    "weight": "weight in the mean, relative to the largest",
}
_SHOWN_IN = {"frame": "number of the frame that shows it, from 1; 0: none"}
_DRAWING_COLUMNS = {
    "method": "from pixels in the unit of the channel to display values, with constants",
    "reduction": "side of the squares of pixels of the grid that are averaged to a pixel",
}


@dataclass(frozen=True)
class SkyPlace:
    """Where frames lie on the sky.

    Attributes
    ----------
    ra, dec : float
        Of their middle, degrees.
    north, east : tuple of float
        Unit vectors in a frame: x and y, row 0 at the bottom.
    scale_arcsec : float
        Side of a pixel of a frame, arc seconds.
    """

    ra: float
    dec: float
    north: tuple[float, float]
    east: tuple[float, float]
    scale_arcsec: float

    @classmethod
    def at(cls, sky_map: SkyMap, x: float, y: float, factor: int = 1) -> "SkyPlace":
        """Return the place of frames whose middle is a place of a map.

        Parameters
        ----------
        sky_map : SkyMap
        x, y : float
        factor : int
            Side of a pixel of a frame, in pixels of the map.
        """
        ra, dec = (float(value) for value in sky_map.sky(x, y))
        north, east = ((float(u), float(v)) for u, v in directions(sky_map, x, y))
        return cls(ra, dec, north, east, sky_map.scale_arcsec * factor)


@dataclass(frozen=True)
class DrawnFrames:
    """Display values of frames.

    Attributes
    ----------
    images : sequence of numpy.ndarray
        ``(ny, nx)`` uint8 each, row 0 at the bottom.
    facts : list of FrameFacts
    names : dict of str to str
        Files inside the raw folder by id of the sub.
    part : GridPart
        The part of the grid that is shown.
    place : SkyPlace or None
        Where on the sky; None if unknown.
    method : str
        How the display values were made.
    """

    images: Sequence[np.ndarray]
    facts: list[FrameFacts]
    names: dict[str, str]
    part: GridPart
    place: SkyPlace | None
    method: str


def drawn(
    frames: Frames, registered: Sequence[RegisteredSub], sky_map: SkyMap | None
) -> DrawnFrames:
    """Stretch frames, all by one curve.

    Raises
    ------
    ValueError
        If there is nothing to show.
    """
    if not frames.images:
        msg = "no sub can be shown"
        raise ValueError(msg)
    is_reduced = frames.part.factor > 1
    mean = mean_of(frames.images)
    filled = [without_small_gaps(image, mean) for image in frames.images]
    background = common_background(mean) if is_reduced else 0.0
    curve = display_curve(filled, background)
    method = (
        f"the asinh stretch of Lupton et al. (2004), the same for all frames: minimum "
        f"{curve.minimum:.6g}, stretch {curve.stretch:.6g}, Q {curve.softening:.6g}"
    )
    if is_reduced:
        method = f"the background of the mean of all frames subtracted; {method}"
    images = [display_values(image, background, curve) for image in filled]
    names = {row.facts["id"]: row.facts["name"] for row in registered}
    part = frames.part
    place = None if sky_map is None else SkyPlace.at(sky_map, *part.middle, part.factor)
    return DrawnFrames(images, frames.facts, names, part, place, method)


def frames_hdus(
    shown: DrawnFrames, registered: Sequence[RegisteredSub], solution: fits.Header | None
) -> list[Any]:
    """Return the HDUs of a product.

    Parameters
    ----------
    shown : DrawnFrames
        Of the whole grid.
    registered : sequence of RegisteredSub
    solution : astropy.io.fits.Header, optional
        Header with the world coordinates of the grid.
    """
    factor = shown.part.factor
    shape = shown.part.shape
    grid = tuple(size * factor for size in shape)
    place = GridPlace().resized((grid[0], grid[1]), shape).cards
    if solution is not None:
        place += coarser_cards(solution, factor, planes=True)
    image = image_hdu(np.stack(shown.images), "SCI", place)
    facts = {name: [getattr(one, name) for one in shown.facts] for name in _FRAME_COLUMNS}
    number = {sub: k for k, one in enumerate(shown.facts, start=1) for sub in one.ids}
    subs: dict[str, list] = {name: [row.facts[name] for row in registered] for name in _SUB_COLUMNS}
    subs |= {"frame": [number.get(row.facts["id"], 0) for row in registered]}
    return [
        image,
        columns_hdu(facts, FRAMES, _FRAME_COLUMNS),
        columns_hdu(subs, SUBS, _SUB_COLUMNS | _SHOWN_IN),
        columns_hdu({"method": [shown.method], "reduction": [factor]}, DRAWING, _DRAWING_COLUMNS),
    ]


def read_frames(path: str | Path) -> DrawnFrames:
    """Read a product of ``draw_blink``; its images are mapped."""
    subs = rows_of(read_columns(path, SUBS))
    drawing: Mapping[str, Any] = rows_of(read_columns(path, DRAWING))[0]
    images = map_image(path)
    factor = int(drawing["reduction"])
    rows, columns = (size * factor for size in images.shape[1:])
    by_frame: dict[int, list[Mapping[str, Any]]] = {}
    for row in sorted(subs, key=lambda row: (row["start_utc"], row["id"])):
        by_frame.setdefault(row["frame"], []).append(row)
    facts = [
        FrameFacts(**row, ids=tuple(one["id"] for one in by_frame[number]))
        for number, row in enumerate(rows_of(read_columns(path, FRAMES)), start=1)
    ]
    wcs = picture_wcs(read_header(path, "SCI"))
    part = GridPart((0, rows), (0, columns), factor)
    names = {row["id"]: row["name"] for row in subs}
    middle = (images.shape[2] - 1) / 2, (images.shape[1] - 1) / 2
    place = None if wcs is None else SkyPlace.at(map_of_wcs(wcs), *middle)
    return DrawnFrames([*images], facts, names, part, place, str(drawing["method"]))
