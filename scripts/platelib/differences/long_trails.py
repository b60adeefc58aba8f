"""Long straight trails of satellites and aircraft, apart from all other detections."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple, Protocol

import numpy as np

from platelib.differences.bright_pieces import Piece
from platelib.differences.statistic import Statistic

_THIN = 5.0
_AT_EDGE_PX, _SHORTEST_AT_EDGE_PX = 3, 30.0
_SHORTEST_PX, _TURN_DEG = 6.0, 4.0
_END_ERROR_PX = 1.0
"""Error of the ends of a trail across it: short ones tell their direction badly."""
_LEAST_COVER = 0.25
"""Share of a line of short trails that these have to cover."""


@dataclass(frozen=True)
class LongTrails:
    """Long straight trails.

    Attributes
    ----------
    x, y : numpy.ndarray
        ``(n, 2)`` float64: both ends, as far as they are seen, px of the grid.
    """

    x: np.ndarray
    y: np.ndarray

    def __len__(self) -> int:
        """Return the number of trails."""
        return len(self.x)

    def distances(self, x: np.ndarray, y: np.ndarray) -> np.ndarray:
        """Return how far places lie from the lines of the trails, ``(n, m)`` float64, px."""
        dx, dy = np.diff(self.x, axis=1), np.diff(self.y, axis=1)
        length = np.maximum(np.hypot(dx, dy), 1e-9)
        across = (np.asarray(x) - self.x[:, :1]) * dy - (np.asarray(y) - self.y[:, :1]) * dx
        return np.asarray(np.abs(across / length))


class _Trailed(Protocol):
    """Detections with the trails that were fitted to them."""

    @property
    def x(self) -> np.ndarray:
        """Middles, px."""

    @property
    def y(self) -> np.ndarray:
        """Middles, px."""

    @property
    def length_px(self) -> np.ndarray:
        """Lengths; 0 for points."""

    @property
    def angle_deg(self) -> np.ndarray:
        """Directions from the x axis."""


def is_long(piece: Piece, shape: tuple[int, int], longest_px: float) -> bool:
    """Return whether a piece is a long trail, or one that leaves the field.

    Parameters
    ----------
    piece : Piece
    shape : tuple of int
        ``(ny, nx)`` of the field.
    longest_px : float
    """
    if piece.elongation < _THIN:
        return False
    x, y = piece.ends()
    size = np.array(shape)
    inner = (y > _AT_EDGE_PX) & (x > _AT_EDGE_PX)
    inner &= (y < size[0] - 1 - _AT_EDGE_PX) & (x < size[1] - 1 - _AT_EDGE_PX)
    least = longest_px if inner.all() else min(_SHORTEST_AT_EDGE_PX, longest_px)
    return bool(np.hypot(*(np.diff(x)), *(np.diff(y))) > least)


def part_long_trails(
    pieces: Sequence[Piece], found: _Trailed, fwhm_px: float, longest_px: float
) -> tuple[LongTrails, np.ndarray]:
    """Join pieces and trailed detections that lie in line, and part them from the others.

    Parameters
    ----------
    pieces : sequence of Piece
        Those that are long.
    found : Detections
    fwhm_px : float
    longest_px : float

    Returns
    -------
    trails : LongTrails
    apart : numpy.ndarray
        ``(n,)`` bool: detections that lie on none of them.
    """
    lines = [piece.ends() for piece in pieces]
    sure = [True] * len(lines)
    for k in np.flatnonzero(found.length_px > _SHORTEST_PX).tolist():
        turn = np.radians(found.angle_deg[k])
        reach = 0.5 * found.length_px[k] * np.array([-1.0, 1.0])
        lines.append((found.x[k] + reach * np.cos(turn), found.y[k] + reach * np.sin(turn)))
        sure.append(False)
    wide = fwhm_px + 1.0
    joined: list[_Line] = []
    for at in sorted(range(len(lines)), key=lambda k: (-_length(lines[k]), k)):
        new = _Line(*lines[at], sure[at], _length(lines[at]))
        for k, line in enumerate(joined):
            if _in_line(new, line, wide):
                ends = _farthest(np.append(line.x, new.x), np.append(line.y, new.y))
                joined[k] = _Line(*ends, line.sure or new.sure, line.covered + new.covered)
                break
        else:
            joined.append(new)
    kept = [(line.x, line.y) for line in joined if line.sure or line.is_long(longest_px)]
    both_ends = np.array(kept, dtype=np.float64).reshape(-1, 2, 2)
    trails = LongTrails(both_ends[:, 0], both_ends[:, 1])
    away = trails.distances(found.x, found.y)
    return trails, np.asarray((away > wide + 1.0).all(axis=0))


class _Line(NamedTuple):
    """Ends of a line, whether it is a trail for sure, and how much of it is seen, px."""

    x: np.ndarray
    y: np.ndarray
    sure: bool
    covered: float

    def is_long(self, longest_px: float) -> bool:
        span = _length((self.x, self.y))
        return span > longest_px and self.covered > _LEAST_COVER * span


def _in_line(shorter: _Line, longer: _Line, wide: float) -> bool:
    """Return whether two lines continue each other, as far as their lengths tell."""
    both = shorter, longer
    angles = [np.degrees(np.arctan2(np.diff(one.y)[0], np.diff(one.x)[0])) for one in both]
    turn = abs((angles[0] - angles[1] + 90) % 180 - 90)
    lengths = [_length((one.x, one.y)) for one in both]
    gap = float(np.hypot(shorter.x.mean() - longer.x.mean(), shorter.y.mean() - longer.y.mean()))
    reach = wide + _END_ERROR_PX * gap / max(lengths)
    ends = LongTrails(longer.x[None], longer.y[None])
    loose = _TURN_DEG + np.degrees(_END_ERROR_PX / min(lengths))
    return bool(turn < loose and (ends.distances(shorter.x, shorter.y) < reach).all())


def _length(line) -> float:
    return float(np.hypot(np.diff(line[0])[0], np.diff(line[1])[0]))


def _farthest(x: np.ndarray, y: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return the two of some places that are farthest from each other."""
    away = np.hypot(x[:, None] - x, y[:, None] - y)
    one, other = np.unravel_index(int(np.argmax(away)), away.shape)
    return x[[one, other]], y[[one, other]]


def hide_long_trails(statistic: Statistic, trails: LongTrails, half_width_px: float) -> None:
    """Set both sums of a statistic to 0 along long trails, across the whole field, in place.

    Parameters
    ----------
    statistic : Statistic
    trails : LongTrails
    half_width_px : float
        Of the strip, px.
    """
    ny, nx = statistic.signal.shape
    columns = np.arange(nx)
    for x, y in zip(trails.x, trails.y, strict=True):
        one = LongTrails(x[None], y[None])
        for row in range(ny):
            near = one.distances(columns, np.full(nx, row))[0] <= half_width_px
            if near.any():
                statistic.signal[row, near] = 0
                statistic.information[row, near] = 0
