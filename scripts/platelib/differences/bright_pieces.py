"""Pieces of a signal-to-noise image that stand out, and their shapes."""

from collections.abc import Iterator

import numpy as np

from platelib.numerics.kernels import kernel, read_only
from platelib.numerics.pieces import Pieces, pieces_of

_LOW = 3.0
_MOST = 4000


def bright_pieces(ratio: np.ndarray, sign: int, threshold: float) -> "Iterator[Piece]":
    """Yield the pieces above 3 sigma that reach a threshold, the most significant first.

    Parameters
    ----------
    ratio : numpy.ndarray
        ``(ny, nx)`` float32.
    sign : int
        1 for positive pieces, -1 for negative ones.
    threshold : float

    Yields
    ------
    Piece
        At most 4000.
    """
    pieces = pieces_of(ratio > _LOW if sign > 0 else ratio < -_LOW)
    peaks = np.zeros(len(pieces), dtype=np.float32)
    _peaks(read_only(pieces.runs), read_only(ratio), np.float32(sign), peaks)
    strong = np.flatnonzero(peaks >= threshold)
    for number in strong[np.argsort(-peaks[strong], kind="stable")][:_MOST].tolist():
        yield Piece(pieces, number, ratio, sign)


class Piece:
    """Pixels of a piece with their signal-to-noise, and their second moments."""

    def __init__(self, pieces: Pieces, number: int, ratio: np.ndarray, sign: int):
        top, bottom, left, right = pieces.boxes[number].tolist()
        window = slice(top, bottom), slice(left, right)
        inside = pieces.drawn(number, window)
        self.values = np.where(inside, sign * ratio[window], 0.0).astype(np.float64)
        self.top, self.left, self.sign = top, left, sign
        y, x = np.nonzero(inside)
        weight = self.values[y, x]
        total = weight.sum()
        self.x, self.y = float((weight * x).sum() / total), float((weight * y).sum() / total)
        dx, dy = x - self.x, y - self.y
        xx, yy, xy = ((weight * p).sum() / total for p in (dx * dx, dy * dy, dx * dy))
        root = float(np.hypot((xx - yy) / 2, xy))
        self.major = float((xx + yy) / 2 + root) + 1 / 12
        self.minor = float((xx + yy) / 2 - root) + 1 / 12
        self.angle = 0.5 * float(np.arctan2(2 * xy, xx - yy))
        self.x += left
        self.y += top

    @property
    def trail(self) -> tuple[float, float]:
        """Rough vector of a trail."""
        length = max(float(np.sqrt(12 * max(self.major - self.minor, 0.0))), 1.0)
        return length * float(np.cos(self.angle)), length * float(np.sin(self.angle))

    def ends(self) -> tuple[np.ndarray, np.ndarray]:
        """Return x and y of both ends along the major axis, ``(2,)`` float64 each."""
        y, x = np.nonzero(self.values)
        u, v = float(np.cos(self.angle)), float(np.sin(self.angle))
        along = (x + self.left - self.x) * u + (y + self.top - self.y) * v
        reach = np.array([along.min(), along.max()])
        return self.x + reach * u, self.y + reach * v

    @property
    def elongation(self) -> float:
        """Major over minor axis."""
        return float(np.sqrt(self.major / self.minor))

    def maxima(self, threshold: float, apart_px: float) -> list[tuple[float, float]]:
        """Return x and y of maxima above a threshold, the highest first."""
        y, x = np.nonzero(self.values >= threshold)
        order = np.argsort(-self.values[y, x], kind="stable")
        padded = np.pad(self.values, 1)
        chosen: list[tuple[float, float]] = []
        for k in order.tolist():
            here = self.values[y[k], x[k]]
            if here < padded[y[k] : y[k] + 3, x[k] : x[k] + 3].max():
                continue
            if all(np.hypot(x[k] - u, y[k] - v) > apart_px for u, v in chosen):
                chosen.append((float(x[k]), float(y[k])))
        return [(u + self.left, v + self.top) for u, v in chosen]


@kernel
def _peaks(runs, ratio, sign, peaks):
    for k in range(runs.shape[0]):
        line, most = ratio[runs[k, 0]], np.float32(0)
        for x in range(runs[k, 1], runs[k, 2]):
            most = max(most, sign * line[x])
        peaks[runs[k, 3]] = max(peaks[runs[k, 3]], most)


def warm_up() -> None:
    """Compile the kernel of this module."""
    ratio = np.zeros((3, 9), dtype=np.float32)
    ratio[1, 2:5] = 6.0
    next(bright_pieces(ratio, 1, 5.0))
