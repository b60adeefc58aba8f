"""The level at which a camera saturates, found where pixel values pile up below full scale.

The light of a star falls off so that its pixels are spread evenly over the logarithm of their
values: a Gaussian star has 1.13 FWHM^2 pixels in each e-fold, whatever its brightness. Many stars
together have fewer pixels the brighter these are. A converter that clips, or a pixel that holds no
more electrons, moves all that would be brighter into a narrow range with nothing above it. So a
pile-up is a range at the top of all values that holds many times more pixels than the range
below it leads to expect (a likelihood ratio of two Poisson rates).

A pile-up must show flat-topped stars: pixels among others of the pile-up. Pixels that stand alone,
such as hot ones, are not counted at all. A pile-up of some width must occur in two places at least:
the plateau of one defocused star has a narrow range of values as well, but not that of another.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from platelib.numerics.medians import mad_sigma

MARGIN = 0.98
"""Share of the level of a pile-up, or of full scale, from which on a pixel counts as saturated."""
TOP_RANK = 6
"""Fewer pixels that are brighter than all others may be tracks of particles."""

_BELOW = 0.7
"""The range that a pile-up is compared with begins at this share of its lower end."""
_WIDEST, _NARROW = 0.06, 0.002
_FEWEST_NARROW, _FEWEST_WIDE = 6, 9
_LEAST_RATIO, _LEAST_CONTRAST = 20.0, 4.0
_FEW_ABOVE, _SHARE_ABOVE = 3, 0.05
_LEAST_SIGMA = 10.0
_CELL_PX, _PIXELS_OF_CELL = 64, 3
_CONTRADICTED_BY, _CONTRADICTED = 1.05, 0.1


@dataclass(frozen=True)
class PileUp:
    """The pile-up of the pixel values of a frame.

    Attributes
    ----------
    level : float
        Median of the pixels that pile up, ADU.
    lower : float
        The lowest of them, ADU.
    pixels : int
        How many they are.
    """

    level: float
    lower: float
    pixels: int

    @property
    def threshold(self) -> float:
        """Value from which on a pixel counts as saturated, ADU."""
        return min(MARGIN * self.level, self.lower)


@dataclass(frozen=True)
class Brightest:
    """The brightest pixels of a frame that have bright neighbours.

    Attributes
    ----------
    values : numpy.ndarray
        ``(n,)`` float32, ADU, brightest first.
    x, y : numpy.ndarray
        ``(n,)`` int32: where they are.
    sky, noise : float
        Median and scatter of all pixels, ADU.
    step : float
        Difference of neighbouring values in the file, ADU.
    covered : PileUp or None
        Where half of the frame or more has the same, highest value.
    """

    values: np.ndarray
    x: np.ndarray
    y: np.ndarray
    sky: float
    noise: float
    step: float
    covered: PileUp | None = None

    @property
    def top(self) -> float:
        """The sixth brightest value, ADU; fewer may be tracks of particles. 0 if there is none."""
        if len(self.values) < TOP_RANK:
            return 0.0
        return float(self.values[TOP_RANK - 1])


NO_PIXELS = Brightest(
    np.empty(0, dtype=np.float32),
    np.empty(0, dtype=np.int32),
    np.empty(0, dtype=np.int32),
    float("nan"),
    float("nan"),
    0.0,
)
"""Of a frame that cannot be read."""


@dataclass(frozen=True)
class LostCores:
    """Saturated cores of a frame.

    Attributes
    ----------
    x, y : numpy.ndarray
        ``(n,)`` float64, places of the stars, px.
    radius_px : numpy.ndarray
        ``(n,)`` float64, radii of the discs that the cores take.
    whole : int
        Number of stars without loss that tell the profile.
    """

    x: np.ndarray
    y: np.ndarray
    radius_px: np.ndarray
    whole: int = 0

    def __len__(self) -> int:
        """Return the number of cores."""
        return len(self.x)


NO_CORES = LostCores(np.empty(0), np.empty(0), np.empty(0))
"""Of a frame that shows none."""


def find_pile_up(pixels: Brightest) -> PileUp | None:
    """Return the value at which pixels of a frame pile up; None without a pile-up.

    Parameters
    ----------
    pixels : Brightest
    """
    if pixels.covered is not None:
        return pixels.covered
    light = pixels.values.astype(np.float64) - pixels.sky
    if len(light) < _FEWEST_NARROW:
        return None
    best, place = 0.0, (0, 0)
    for above in _counts_above(len(light)):
        ratio, last = _best_range(light, above, pixels.step)
        if ratio > best:
            best, place = ratio, (above, last)
    if best < _LEAST_RATIO:
        return None
    first, last = place
    pile = light[first : last + 1]
    if pile[-1] < _LEAST_SIGMA * pixels.noise:
        return None
    within = np.s_[first : last + 1]
    cells = _crowded_cells(pixels.x[within], pixels.y[within])
    middle = np.median(pile)
    spread = mad_sigma(pile, middle)
    narrow = spread <= max(_NARROW * float(middle), pixels.step)
    if not narrow and (len(pile) < _FEWEST_WIDE or not _in_two_places(cells)):
        return None
    if not _flat_topped(pixels.x[: last + 1], pixels.y[: last + 1]):
        return None
    return PileUp(float(middle + pixels.sky), float(pile[-1] + pixels.sky), len(pile))


def sound_levels(found: Sequence[float], tops: Sequence[float]) -> np.ndarray:
    """Return which pile-ups of the subs of a camera setting no other sub contradicts.

    Parameters
    ----------
    found : sequence of float
        Level of the pile-up in each sub, ADU; 0 where there is none.
    tops : sequence of float
        `Brightest.top` of each sub, ADU; 0 if it is unknown.

    Returns
    -------
    numpy.ndarray
        ``(n,)`` bool: False where more than a tenth of the subs have pixels more than 5 % above the
        level, which therefore is no limit of the camera's.
    """
    levels, highest = np.asarray(found, dtype=np.float64), np.asarray(tops, dtype=np.float64)
    known = highest[highest > 0]
    above = np.array([np.count_nonzero(known > _CONTRADICTED_BY * level) for level in levels])
    return (levels > 0) & (above <= _CONTRADICTED * len(known))


def _counts_above(size: int) -> Iterator[int]:
    """Yield how many pixels may lie above a pile-up: the fewer of them, the more are tried."""
    count = 0
    while count <= max(_FEW_ABOVE, _SHARE_ABOVE * size):
        yield count
        count += 1 if count < 4 else max(1, count // 3)


def _best_range(light: np.ndarray, above: int, step: float) -> tuple[float, int]:
    """Find the lower end that makes the range from pixel ``above`` on least like what is below.

    Returns
    -------
    ratio : float
        Logarithm of the likelihood of two rates over that of one; 0 if no range will do.
    last : int
        Index of the last pixel in the range.
    """
    upper = light[above]
    last = np.arange(above, np.searchsorted(-light, -(1 - _WIDEST) * upper, side="right"))
    # Equal values are in or out together.
    last = last[np.append(light[last[1:]] != light[last[:-1]], True)] if len(last) else last
    inside = last - above + 1
    last = last[
        (inside >= _FEWEST_NARROW) & (above <= np.maximum(_FEW_ABOVE, _SHARE_ABOVE * inside))
    ]
    last = last[light[last] > step]
    if not len(last):
        return 0.0, 0
    inside = (last - above + 1).astype(np.float64)
    lower = light[last]
    below = np.searchsorted(-light, -_BELOW * lower, side="right") - (last + 1.0)
    width = np.log((upper + step / 2) / (lower - step / 2))
    rest = np.log(1 / _BELOW)
    dense, thin = inside / width, np.maximum(below, 1.0) / rest
    common = (inside + below) / (width + rest)
    ratio = inside * np.log(dense / common) + below * np.log(np.minimum(thin / common, 1.0))
    ratio[dense < _LEAST_CONTRAST * thin] = 0.0
    best = int(np.argmax(ratio))
    return float(ratio[best]), int(last[best])


def _crowded_cells(x: np.ndarray, y: np.ndarray) -> np.ndarray:
    """Return ``(n, 2)`` row and column of the cells of 64 x 64 pixels that hold three or more."""
    cells = np.stack([y // _CELL_PX, x // _CELL_PX], axis=1)
    unique, counts = np.unique(cells, axis=0, return_counts=True)
    return unique[counts >= _PIXELS_OF_CELL]


def _in_two_places(cells: np.ndarray) -> bool:
    """Return whether two of the cells do not touch."""
    return bool(len(cells)) and bool((np.ptp(cells, axis=0) >= 2).any())


def _flat_topped(x: np.ndarray, y: np.ndarray) -> bool:
    """Return whether four or more of a pixel's eight neighbours belong to the same set."""
    wide = np.int64(x.max()) + 3
    keys = np.sort((y.astype(np.int64) + 1) * wide + x + 1)
    around = [dy * wide + dx for dy in (-1, 0, 1) for dx in (-1, 0, 1) if dy or dx]
    count = np.zeros(len(keys), dtype=int)
    for shift in around:
        place = np.minimum(np.searchsorted(keys, keys + shift), len(keys) - 1)
        count += keys[place] == keys + shift
    return bool((count >= 4).any())
