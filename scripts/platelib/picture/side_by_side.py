"""Two images of one field: side by side with their difference, or blended."""

from dataclasses import dataclass

import numpy as np

from platelib.picture.pixels import Pixels
from platelib.picture.reduced import Rows, reduced, reduced_display, reduction
from platelib.picture.render import choose_curve, mean_plane
from platelib.picture.stretch import Look, stretch_planes

WIDEST_PX = 1000
"""Panels wider or higher than this are made smaller by averaging."""

_LIMIT_PERCENTILE = 99.5
_GREY = 0.5
_BRIGHTNESS = (0.2126, 0.7152, 0.0722)
"""Weights of red, green and blue (IEC 61966-2-1)."""


@dataclass(frozen=True)
class Panels:
    """Three panels of one size.

    Attributes
    ----------
    first, second, difference : numpy.ndarray
        ``(ny, nx, 3)`` float64 display values from 0 to 1, row 0 at the bottom of the picture. In
        the difference, grey is no difference, and black and white (of each colour) are ``limit``.
    limit : float
        Difference that is shown as white, and its negative as black, in the unit of the images;
        0 where nothing differs.
    factor : int
        Pixels of the images along the side of a pixel of a panel.
    """

    first: np.ndarray
    second: np.ndarray
    difference: np.ndarray
    limit: float
    factor: int


def linear_panels(first: Rows, second: Rows, look: Look) -> Panels:
    """Stretch two linear images by the curve of the first, and show their difference.

    Parameters
    ----------
    first, second : Rows
        Of one shape, with 1 or 3 planes; linear, NaN for no data.
    look : Look

    Raises
    ------
    ValueError
        If there are no data in the first, or its sky is without noise.
    """
    factor = reduction(first.shape[1:], WIDEST_PX)
    small, other = (reduced(rows, factor) for rows in (first, second))
    curve, _ = choose_curve(mean_plane(small.astype(np.float32)), look)
    shown, other_shown = (np.nan_to_num(stretch_planes(planes, curve)) for planes in (small, other))
    return _panels(shown, other_shown, other - small, factor)


def display_panels(first: Pixels, second: Pixels) -> Panels:
    """Show two finished pictures as they are, and their difference.

    Parameters
    ----------
    first, second : Pixels
        Of one shape.
    """
    factor = reduction(first.shape, WIDEST_PX)
    small, other = (reduced_display(pixels, factor) for pixels in (first, second))
    return _panels(small, other, other - small, factor)


def _panels(first: np.ndarray, second: np.ndarray, change: np.ndarray, factor: int) -> Panels:
    sizes = np.abs(change[np.isfinite(change) & (change != 0)])
    limit = float(np.percentile(sizes, _LIMIT_PERCENTILE)) if sizes.size else 0.0
    shown = np.nan_to_num(change) / (2 * limit) if limit else np.zeros(change.shape)
    shown = np.clip(_GREY + shown, 0, 1)
    return Panels(_as_rgb(first), _as_rgb(second), _as_rgb(shown), limit, factor)


def _as_rgb(planes: np.ndarray) -> np.ndarray:
    count, *shape = planes.shape
    rgb = planes if count == 3 else np.broadcast_to(planes[0], (3, *shape))
    return np.moveaxis(rgb, 0, -1)


@dataclass(frozen=True)
class Grey:
    """A picture in grey, row 0 at the bottom.

    Attributes
    ----------
    levels : numpy.ndarray
        ``(ny, nx)`` uint16 display values.
    """

    levels: np.ndarray

    @property
    def shape(self) -> tuple[int, int]:
        """Number of rows and columns."""
        ny, nx = self.levels.shape
        return ny, nx

    def rows(self, start: int, stop: int) -> np.ndarray:
        """Return ``(stop - start, nx, 3)`` uint16 display values."""
        return self.levels[start:stop, :, None].repeat(3, axis=2)


@dataclass(frozen=True)
class Blend:
    """A picture whose brightness is green and blue, with the brightness of another one in red.

    What shines in both is white.

    Attributes
    ----------
    picture : Pixels
    other : numpy.ndarray
        ``(ny, nx)`` uint16 display values.
    covered : numpy.ndarray
        ``(ny, nx)`` bool: where the other reaches. Elsewhere the picture is grey.
    """

    picture: Pixels
    other: np.ndarray
    covered: np.ndarray

    @property
    def shape(self) -> tuple[int, int]:
        """Number of rows and columns."""
        return self.picture.shape

    def rows(self, start: int, stop: int) -> np.ndarray:
        """Return ``(stop - start, nx, 3)`` uint16 display values."""
        rows = self.picture.rows(start, stop)
        grey, green, blue = (rows[..., k] * weight for k, weight in enumerate(_BRIGHTNESS))
        grey += green
        grey += blue
        mixed = np.empty_like(rows)
        mixed[..., 1] = np.rint(grey, out=grey)
        mixed[..., 2] = mixed[..., 1]
        covered = self.covered[start:stop]
        mixed[..., 0] = np.where(covered, self.other[start:stop], mixed[..., 1])
        return mixed
