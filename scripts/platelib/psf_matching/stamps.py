"""Stamps of the stars that two channels on one grid share."""

from dataclasses import dataclass

import numpy as np

from platelib.detection.windowed_moments import BOX, WINDOW, WORK, star_shape

_SAME_PX = 1.5
_NEIGHBOUR_SHARE = 0.02
_MOST = 80


@dataclass(frozen=True)
class StarPairs:
    """Stars common to two channels, sorted by brightness in the second.

    Attributes
    ----------
    x, y : numpy.ndarray
        ``(n,)`` float64: place in the second channel, pixels.
    first, second : numpy.ndarray
        ``(n,)`` int64: their rows in the lists.
    alone : numpy.ndarray
        ``(n,)`` bool: no star with more than 2 % of its light is near.
    """

    x: np.ndarray
    y: np.ndarray
    first: np.ndarray
    second: np.ndarray
    alone: np.ndarray

    def __len__(self) -> int:
        """Return the number of stars."""
        return len(self.x)


def pair_stars(first: np.ndarray, second: np.ndarray, near_px: float) -> StarPairs:
    """Find the stars without flags that two lists share.

    Parameters
    ----------
    first, second : numpy.ndarray
        Of dtype `platelib.detection.star_table.STAR`, on one grid.
    near_px : float
        How far a neighbour has to be.
    """
    good = [np.flatnonzero(stars["flags"] == 0) for stars in (first, second)]
    rows = []
    if len(good[0]):
        for number in good[1]:
            star = second[number]
            squared = (first["x"][good[0]] - star["x"]) ** 2
            squared += (first["y"][good[0]] - star["y"]) ** 2
            nearest = int(np.argmin(squared))
            if squared[nearest] <= _SAME_PX**2:
                alone = _is_alone(first, int(good[0][nearest]), near_px)
                alone &= _is_alone(second, int(number), near_px)
                rows.append((good[0][nearest], number, alone))
    table = np.array(rows, dtype=np.int64).reshape(-1, 3)
    table = table[np.argsort(-second["flux"][table[:, 1]], kind="stable")]
    here = second[table[:, 1]]
    return StarPairs(here["x"], here["y"], table[:, 0], table[:, 1], table[:, 2] > 0)


def _is_alone(stars: np.ndarray, number: int, near_px: float) -> bool:
    dx, dy = stars["x"] - stars["x"][number], stars["y"] - stars["y"][number]
    near = (np.abs(dx) < near_px) & (np.abs(dy) < near_px)
    near[number] = False
    return not bool((stars["flux"][near] > _NEIGHBOUR_SHARE * stars["flux"][number]).any())


def cut_stamps(
    images: tuple[np.ndarray, np.ndarray], pairs: StarPairs, half_px: int
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Cut squares around isolated stars from two images and subtract their surroundings.

    Parameters
    ----------
    images : tuple of numpy.ndarray
        Two ``(ny, nx)`` float32.
    pairs : StarPairs
    half_px : int
        Half the side of the squares.

    Returns
    -------
    first, second : numpy.ndarray
        ``(n, side, side)`` float64, of at most 80 stars with data in all pixels. The
        subtracted level is the median of the rim.
    chosen : numpy.ndarray
        ``(n,)`` int64: which of the pairs they are.
    """
    ny, nx = images[0].shape
    stamps: tuple[list, list] = ([], [])
    chosen = []
    for number in np.flatnonzero(pairs.alone):
        x, y = int(np.rint(pairs.x[number])), int(np.rint(pairs.y[number]))
        if not (half_px <= x < nx - half_px and half_px <= y < ny - half_px):
            continue
        part = np.s_[y - half_px : y + half_px + 1, x - half_px : x + half_px + 1]
        cut = [image[part].astype(np.float64) for image in images]
        if all(np.isfinite(stamp).all() for stamp in cut):
            for stamp, kept in zip(cut, stamps, strict=True):
                kept.append(stamp - _rim_median(stamp))
            chosen.append(number)
        if len(chosen) == _MOST:
            break
    side = 2 * half_px + 1
    shape = (len(chosen), side, side)
    first, second = (np.array(kept, dtype=np.float64).reshape(shape) for kept in stamps)
    return first, second, np.array(chosen, dtype=np.int64)


def _rim_median(stamp: np.ndarray) -> float:
    rim = np.ones(stamp.shape, dtype=bool)
    rim[2:-2, 2:-2] = False
    return float(np.median(stamp[rim]))


def stamp_width(stamps: np.ndarray) -> float:
    """Median FWHM of stars in stamps of at least 17 pixels a side, pixels; NaN without a star."""
    middle = stamps.shape[1] // 2
    work, box = np.empty(WORK), np.empty(BOX)
    widths = []
    for stamp in stamps:
        rows = slice(middle - WINDOW, middle + WINDOW + 1)
        box[:] = stamp[rows, middle - WINDOW : middle + WINDOW + 2]
        *_, fwhm, _, _, _, ok = star_shape(box, work)
        if ok:
            widths.append(fwhm)
    return round(float(np.median(widths)), 4) if widths else float("nan")
