"""Star stamps of the subs of a channel: kernels between subs, and losses by rejection.

The stars are those that registration matched with the photometric reference. They are cut out of
the subs by the same functions that fill the tiles of the integration.
"""

from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import Protocol

import numpy as np

from platefiles.integration.tiles import Span
from platefiles.registration.registration_table import RegisteredSub
from platefiles.subs.calibrated_sub import Sub, SubRoom
from platelib.integration.psf_kernels import PsfKernels, fit_kernels, no_kernels
from platelib.integration.psf_partners import fit_radius, stamp_radius, wanted_stars

_STAMPS_MB = 100
_BYTES_A_FITTED_PIXEL = 56
"""What `fit_kernels` works out for each pixel of a star in each sub."""
_BELOW_SATURATION = 0.9
_CORE_PX = 1
PIXELS_OF_CORE = (2 * _CORE_PX + 1) ** 2


class Stamped(Protocol):
    """A registered image from which stamps of stars are cut: a sub, or the stack of a night.

    Attributes
    ----------
    width_px : float
        FWHM of its stars, px of the grid; NaN if unknown.
    saturation : float
        Value from which on it is saturated, unit of the channel; infinite if unknown.
    """

    @property
    def width_px(self) -> float:
        """Width of its stars."""

    @property
    def saturation(self) -> float:
        """Saturation level."""

    def cut(
        self, rows: Span, columns: Span, out: tuple[np.ndarray, np.ndarray], room: SubRoom
    ) -> None:
        """Fill values and variances of a part of the grid, float32; NaN = no data."""


@dataclass(frozen=True)
class StampedSub:
    """An open sub with its place on the grid."""

    row: RegisteredSub
    sub: Sub

    @property
    def width_px(self) -> float:
        """FWHM of its stars, px of the grid."""
        return width_on_grid(self.row)

    @property
    def saturation(self) -> float:
        """Saturation level in the unit of the channel."""
        return saturation_on_grid(self.row, self.sub.saturation)

    def cut(
        self, rows: Span, columns: Span, out: tuple[np.ndarray, np.ndarray], room: SubRoom
    ) -> None:
        """Calibrate and resample a part of the grid."""
        self.sub.registered(self.row.transform, self.row.levels, rows, columns, out, room)


def fit_psf_kernels(
    images: Sequence[Stamped],
    stars: np.ndarray,
    shape: tuple[int, int],
    sky: float,
    threads: int = 1,
    fewest: int = 3,
) -> PsfKernels:
    """Fit the kernels between the star images of the used subs.

    Parameters
    ----------
    images : sequence of Stamped
    stars : numpy.ndarray
        ``(s, 2)`` float64: x and y of stars on the grid, brightest first.
    shape : tuple of int
        ``(ny, nx)`` of the grid.
    sky : float
        Common sky of the subs on the grid, unit of the channel.
    threads : int
        Number of stars processed at a time; it changes no bit.
    fewest : int
        Images from which on there are partners.

    Returns
    -------
    PsfKernels
        Without partners for fewer images, or if none has a measured FWHM.
    """
    fwhm_px = np.array([image.width_px for image in images])
    known = np.isfinite(fwhm_px) & (fwhm_px > 0)
    if len(images) < fewest or not known.any():
        return no_kernels(len(images))
    fwhm_px[~known] = np.median(fwhm_px[known])
    half = stamp_radius(fwhm_px)
    side = 2 * half + 1
    fitted = 4 * fit_radius(fwhm_px) ** 2
    most = int(_STAMPS_MB * 2**20 / (len(images) * (8 * side**2 + _BYTES_A_FITTED_PIXEL * fitted)))
    places = _inside(stars, half, shape)[: min(wanted_stars(fwhm_px), max(most, 1))]
    light, variance = np.empty((2, len(images), len(places), side, side), dtype=np.float32)
    core = slice(half - fit_radius(fwhm_px), half + fit_radius(fwhm_px) + 1)
    limits = [_BELOW_SATURATION * image.saturation for image in images]

    def cut(part: range) -> None:
        room = SubRoom()
        for star in part:
            x, y = places[star]
            place = (y - half, y + half + 1), (x - half, x + half + 1)
            for i, image in enumerate(images):
                out = (light[i, star], variance[i, star])
                image.cut(*place, out, room)
                out[0][...] -= np.float32(sky)
                if np.nanmax(out[0][core, core], initial=-np.inf) > limits[i] - sky:
                    out[0].fill(np.nan)

    count = max(1, min(threads, len(places)))
    with ThreadPoolExecutor(count) as pool:
        list(pool.map(cut, (range(k, len(places), count) for k in range(count))))
    return fit_kernels(fwhm_px, light, variance)


def saturation_on_grid(row: RegisteredSub, saturation: float) -> float:
    """Return a saturation level in the unit of the channel; infinite if unknown.

    Parameters
    ----------
    row : RegisteredSub
    saturation : float
        Calibrated value of a saturated pixel of the sub.
    """
    level = saturation * row.facts["scale"] - float(row.facts["sky_difference"][0])
    return level if np.isfinite(level) else np.inf


def width_on_grid(row: RegisteredSub) -> float:
    """Return the FWHM of the stars of a sub, px of the grid."""
    transform = row.transform
    det = transform.x[1] * transform.y[2] - transform.x[2] * transform.y[1]
    return row.facts["fwhm_px"] * transform.scale / float(np.sqrt(abs(det)))


def _inside(stars: np.ndarray, margin: int, shape: tuple[int, int]) -> np.ndarray:
    places = np.rint(np.asarray(stars, dtype=np.float64).reshape(-1, 2)).astype(np.int64)
    most = np.array(shape[::-1]) - margin
    return places[((places >= margin) & (places < most)).all(axis=1)]


class CoreTally:
    """Counts the rejected pixels of star cores of each sub.

    Parameters
    ----------
    stars : numpy.ndarray
        ``(s, 2)`` float64: x and y of stars on the grid.
    shape : tuple of int
        ``(ny, nx)`` of the grid.
    """

    def __init__(self, stars: np.ndarray, shape: tuple[int, int]):
        self._places = _inside(stars, _CORE_PX, shape)

    def count(
        self, flags: np.ndarray, inner: tuple[slice, slice], corner: tuple[int, int]
    ) -> np.ndarray:
        """Count the core pixels of a tile.

        Parameters
        ----------
        flags : numpy.ndarray
            ``(n, ny, nx)`` uint8, see `platelib.integration.rejection.reject`.
        inner : tuple of slice
            Position of the tile in a plane.
        corner : tuple of int
            First row and column of the tile on the grid.

        Returns
        -------
        numpy.ndarray
            ``(n, 2)`` int64: numbers of pixels with data, and of rejected pixels.
        """
        tile = flags[:, inner[0], inner[1]]
        step = np.arange(-_CORE_PX, _CORE_PX + 1)
        x = (self._places[:, 0, None, None] + step - corner[1]).repeat(len(step), axis=1)
        y = (self._places[:, 1, None, None] + step[:, None] - corner[0]).repeat(len(step), axis=2)
        here = (x >= 0) & (x < tile.shape[2]) & (y >= 0) & (y < tile.shape[1])
        found = tile[:, y[here], x[here]]
        return np.stack([(found != 1).sum(axis=1), (found > 1).sum(axis=1)], axis=1)
