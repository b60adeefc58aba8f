"""Statistics of the difference of two images of one shape."""

import math
from dataclasses import dataclass
from typing import Any, Protocol

import numpy as np

PERCENTILES = (1.0, 16.0, 50.0, 84.0, 99.0)
"""Of the differences; 16 and 84 are one sigma on each side where errors are normal."""

_STRIP_PX = 1 << 18
_MANY = 50_000
"""Values from which on percentiles are found by counting, with compiled kernels."""


@dataclass(frozen=True)
class Difference:
    """The second image less the first, in numbers.

    Attributes
    ----------
    pixels : int
        Pixels of an image.
    differing : int
        Pixels whose value is not the same, those with a value in one image only included.
    one_sided : int
        Pixels that have a value in one image only.
    mean, rms, max_abs : float
        Of all pixels that have a value in both; NaN if there are none.
    percentiles : tuple of float
        At ``PERCENTILES``, of the same pixels.
    """

    pixels: int
    differing: int
    one_sided: int
    mean: float
    rms: float
    max_abs: float
    percentiles: tuple[float, ...]

    @property
    def share(self) -> float:
        """Share of the pixels that differ."""
        return self.differing / self.pixels if self.pixels else 0.0


class ByRows(Protocol):
    """An image, or a plane of one, that gives its rows as it is sliced."""

    @property
    def shape(self) -> tuple[int, ...]:
        """Length of each axis."""

    def __getitem__(self, rows: slice, /) -> Any:
        """Return rows as an array."""


@dataclass(frozen=True)
class PlanePart:
    """Some rows and columns of an image that gives its rows as it is sliced.

    Attributes
    ----------
    whole : ByRows
    part : tuple of slice
        Rows and columns.
    """

    whole: ByRows
    part: tuple[slice, slice]

    @property
    def shape(self) -> tuple[int, ...]:
        """Number of rows and columns."""
        down, across = self.part
        return down.stop - down.start, across.stop - across.start

    def __getitem__(self, rows: slice, /) -> Any:
        """Return rows as an array."""
        down, across = self.part
        start, stop, _ = rows.indices(self.shape[0])
        return self.whole[down.start + start : down.start + stop][:, across]


@dataclass(frozen=True)
class Overlap:
    """The common area of two images.

    Attributes
    ----------
    first, second : tuple of slice
        Its rows and columns in each image.
    shapes : tuple of tuple of int
        ``(ny, nx)`` of each image.
    """

    first: tuple[slice, slice]
    second: tuple[slice, slice]
    shapes: tuple[tuple[int, int], tuple[int, int]]

    @property
    def shape(self) -> tuple[int, int]:
        """Number of its rows and columns."""
        down, across = self.first
        return down.stop - down.start, across.stop - across.start

    @property
    def is_all(self) -> bool:
        """Whether neither image has anything outside."""
        return self.shapes[0] == self.shapes[1] == self.shape

    def margins(self, number: int) -> tuple[int, int, int, int]:
        """Return what image 0 or 1 has left, right, below and above the area, pixels."""
        down, across = (self.first, self.second)[number]
        ny, nx = self.shapes[number]
        return across.start, nx - across.stop, down.start, ny - down.stop

    def share_outside(self, number: int) -> float:
        """Return the share of the pixels of image 0 or 1 outside the area."""
        return 1 - math.prod(self.shape) / math.prod(self.shapes[number])


def overlap(
    first: tuple[int, int], second: tuple[int, int], offset: tuple[int, int] = (0, 0)
) -> Overlap | None:
    """Return the common area of two images; None if there is none.

    Parameters
    ----------
    first, second : tuple of int
        ``(ny, nx)`` of each.
    offset : tuple of int
        x and y that a place has more in the second image.
    """
    ones, others = [], []
    for size, other, more in zip(first, second, offset[::-1], strict=True):
        start, stop = max(0, -more), min(size, other - more)
        if start >= stop:
            return None
        ones.append(slice(start, stop))
        others.append(slice(start + more, stop + more))
    return Overlap((ones[0], ones[1]), (others[0], others[1]), (first, second))


def difference(
    first: ByRows, second: ByRows, noise: ByRows | None = None, unit: float = 1.0
) -> Difference:
    """Compare two images, value by value.

    Percentiles of integers of up to 16 bits are found by counting. Of other images the
    differences are held, as float32 where the values have no more digits.

    Parameters
    ----------
    first, second : numpy.ndarray or ByRows
        Of one shape, numbers of any type; NaN = no value, and two of them are alike.
    noise : numpy.ndarray or ByRows, optional
        Of the same shape: standard deviations, by which differences are divided. Pixels whose
        noise is not a positive number are left out of the statistics.
    unit : float
        Size of a step of 1, for images in integers.

    Raises
    ------
    ValueError
        If the shapes differ.
    """
    if first.shape != second.shape:
        msg = f"images of {first.shape} and {second.shape} cannot be compared"
        raise ValueError(msg)
    size, length = math.prod(first.shape), first.shape[0] if first.shape else 0
    step = max(1, _STRIP_PX * length // max(size, 1))
    differing = one_sided = 0
    total: _Steps | _Values | None = None
    for start in range(0, length, step):
        rows = slice(start, start + step)
        one, other = np.asarray(first[rows]), np.asarray(second[rows])
        blank, other_blank = np.isnan(one), np.isnan(other)
        differing += int(np.count_nonzero((one != other) & ~(blank & other_blank)))
        one_sided += int(np.count_nonzero(blank != other_blank))
        counted = ~(blank | other_blank)
        if total is None:
            small = all(_is_small_integer(part.dtype) for part in (one, other))
            values = np.result_type(one, other, np.float32)
            total = _Steps() if small and noise is None else _Values(size, values)
        sigma = None if noise is None else np.asarray(noise[rows])
        if sigma is not None:
            counted &= sigma > 0
            sigma = sigma[counted]
        total.add(one[counted], other[counted], sigma)
    if total is None or not total.count:
        nothing = (float("nan"),) * len(PERCENTILES)
        return Difference(size, differing, one_sided, np.nan, np.nan, np.nan, nothing)
    numbers = (total.mean, total.rms, total.max_abs, *total.percentiles())
    mean, rms, max_abs, *percentiles = (number * unit for number in numbers)
    return Difference(size, differing, one_sided, mean, rms, max_abs, tuple(percentiles))


def _is_small_integer(dtype: np.dtype) -> bool:
    return dtype.kind in "iu" and dtype.itemsize <= 2


class _Steps:
    """Differences of integers of up to 16 bits, counted by size."""

    _MOST = 1 << 16

    def __init__(self) -> None:
        self._counts = np.zeros(2 * self._MOST, dtype=np.int64)

    def add(self, first: np.ndarray, second: np.ndarray, _noise: None = None) -> None:
        steps = second.astype(np.int32)
        steps -= first
        steps += self._MOST
        self._counts += np.bincount(steps, minlength=self._counts.size)

    @property
    def _steps(self) -> np.ndarray:
        return np.arange(-self._MOST, self._MOST)

    @property
    def count(self) -> int:
        return int(self._counts.sum())

    @property
    def mean(self) -> float:
        return int((self._counts * self._steps).sum()) / self.count

    @property
    def rms(self) -> float:
        return math.sqrt(int((self._counts * self._steps**2).sum()) / self.count)

    @property
    def max_abs(self) -> float:
        return float(np.abs(self._steps[self._counts > 0]).max())

    def percentiles(self) -> tuple[float, ...]:
        below = np.cumsum(self._counts)
        ranks = np.searchsorted(below, _ranks(self.count), side="right") - self._MOST
        return _between(ranks.astype(float), self.count)


class _Values:
    """Differences of other numbers, which are held."""

    def __init__(self, size: int, dtype: np.dtype) -> None:
        self._values = np.empty(size, dtype=dtype)
        self.count = 0
        self._sum = self._squares = self.max_abs = 0.0

    def add(self, first: np.ndarray, second: np.ndarray, noise: np.ndarray | None = None) -> None:
        values = second.astype(np.float64)
        values -= first
        if noise is not None:
            values /= noise
        if values.size:
            self._values[self.count : self.count + values.size] = values
            self.count += values.size
            self._sum += float(values.sum())
            np.abs(values, out=values)
            self.max_abs = max(self.max_abs, float(values.max()))
            values *= values
            self._squares += float(values.sum())

    @property
    def mean(self) -> float:
        return self._sum / self.count

    @property
    def rms(self) -> float:
        return math.sqrt(self._squares / self.count)

    def percentiles(self) -> tuple[float, ...]:
        values = self._values[: self.count]
        if values.dtype != np.float32 or values.size < _MANY:
            return tuple(np.percentile(values, PERCENTILES, overwrite_input=True).tolist())
        from platelib.numerics.radix_select import ranked  # compiled kernels

        found = ranked(values, _ranks(self.count).ravel().tolist())
        return _between(np.array(found, dtype=float).reshape(-1, 2), self.count)


def _ranks(count: int) -> np.ndarray:
    """Return the ranks ``(n, 2)`` between which percentiles lie."""
    low = np.floor(np.array(PERCENTILES) / 100 * (count - 1)).astype(np.int64)
    return np.stack([low, np.minimum(low + 1, count - 1)], axis=1)


def _between(values: np.ndarray, count: int) -> tuple[float, ...]:
    """Interpolate between the values ``(n, 2)`` of `_ranks`, as numpy's percentiles do."""
    share = np.array(PERCENTILES) / 100 * (count - 1) % 1
    return tuple((values[:, 0] + share * (values[:, 1] - values[:, 0])).tolist())
