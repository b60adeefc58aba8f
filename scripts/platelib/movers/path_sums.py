"""The statistic of a path through the maps of a series, exactly, and where it is highest."""

from dataclasses import dataclass

import numpy as np

from platelib.movers.rate_sums import MOST_SUB
from platelib.numerics.kernels import kernel, read_only

_HALVINGS = 4
_BEYOND = 0.25
_MOST_SWEEPS = 40


@dataclass(frozen=True)
class PathSum:
    """A path of constant rate with a high sum.

    Attributes
    ----------
    x, y : float
        Place in the middle of the series, pixels.
    vx, vy : float
        Rate, px/min.
    signal, weight : numpy.ndarray
        ``(n,)`` float64: flux divided by its variance, and inverse variance, of each sub at its
        place on the path; 0 where there are no data.
    rest : float
        Highest statistic of a place at rest on the path.
    """

    x: float
    y: float
    vx: float
    vy: float
    signal: np.ndarray
    weight: np.ndarray
    rest: float

    @property
    def statistic(self) -> float:
        """Signal-to-noise of all subs, each cut off at `MOST_SUB`."""
        return statistic(self.signal, self.weight)

    def places(self, minutes: np.ndarray) -> np.ndarray:
        """Return the places ``(n, 2)`` at times."""
        return np.column_stack([self.x + self.vx * minutes, self.y + self.vy * minutes])


def statistic(signal: np.ndarray, weight: np.ndarray) -> float:
    """Return the signal-to-noise of a sum of subs, each cut off at `MOST_SUB`; 0 without data."""
    total = float(weight.sum())
    most = MOST_SUB * np.sqrt(weight)
    return float(np.clip(signal, -most, most).sum()) / np.sqrt(total) if total > 0 else 0.0


def highest_path(
    signal: np.ndarray,
    weight: np.ndarray,
    minutes: np.ndarray,
    starts: np.ndarray,
    steps: tuple[float, float],
    fastest: float,
) -> PathSum:
    """Find the path with the highest statistic near some paths.

    Parameters
    ----------
    signal, weight : numpy.ndarray
        ``(n, ny, nx)`` float32, see `rate_sums.best_sums`.
    minutes : numpy.ndarray
        ``(n,)`` float64: times since the middle of the series.
    starts : numpy.ndarray
        ``(m, 4)`` float64: x, y, vx, vy of paths; the search begins at the best of them.
    steps : tuple of float
        First steps in place (px) and rate (px/min); the last ones are a sixteenth.
    fastest : float
        Highest rate, px/min.
    """
    maps = tuple(read_only(part) for part in (signal, weight, minutes))
    terms = np.zeros((len(minutes), 2))
    values = [_value(*maps, *start, terms) for start in starts.tolist()]
    path = starts[int(np.argmax(values))].copy()
    _climb(*maps, path, steps[0], steps[1], fastest, terms)
    rest = max(
        _value(*maps, path[0] + path[2] * t, path[1] + path[3] * t, 0.0, 0.0, terms)
        for t in minutes.tolist()
    )
    _value(*maps, *path.tolist(), terms)
    x, y, vx, vy = path.tolist()
    return PathSum(x, y, vx, vy, terms[:, 0].copy(), terms[:, 1].copy(), rest)


@kernel
def _cubic(t, k):
    """Return the weight of sample k = -1, 0, 1, 2 at t in [0, 1): Keys (1981), a = -1/2."""
    d = abs(t - k)
    if d <= 1:
        return (1.5 * d - 2.5) * d * d + 1
    return ((-0.5 * d + 2.5) * d - 4) * d + 2


@kernel
def _sample(signal, weight, x, y):
    """Return signal and weight of a map between its pixels; 0 where there are no data."""
    ny, nx = signal.shape
    column, row = int(np.floor(x + 0.5)), int(np.floor(y + 0.5))
    if column < 0 or row < 0 or column >= nx or row >= ny or not weight[row, column] > 0:
        return 0.0, 0.0
    value = np.float64(signal[row, column])
    inverse = np.float64(weight[row, column])
    if value != value:
        return 0.0, 0.0
    left, low = int(np.floor(x)), int(np.floor(y))
    if left < 1 or low < 1 or left + 2 >= nx or low + 2 >= ny:
        return value, inverse
    total = 0.0
    for j in range(-1, 3):
        line = 0.0
        for i in range(-1, 3):
            part = np.float64(signal[low + j, left + i])
            if not weight[low + j, left + i] > 0 or part != part:
                return value, inverse
            line += _cubic(x - left, i) * part
        total += _cubic(y - low, j) * line
    return total, inverse


@kernel
def _value(signal, weight, minutes, x, y, vx, vy, terms):
    """Return the value that a search raises; store its terms.

    Signal beyond the cut counts a quarter: a bright mover still has its highest value in its
    middle, and one outlier does not draw the path of a faint one.
    """
    total, inverse = 0.0, 0.0
    for i in range(minutes.size):
        a, b = _sample(signal[i], weight[i], x + vx * minutes[i], y + vy * minutes[i])
        most = MOST_SUB * np.sqrt(b)
        cut = min(max(a, -most), most)
        total += cut + _BEYOND * (a - cut)
        inverse += b
        terms[i, 0], terms[i, 1] = a, b
    return total / np.sqrt(inverse) if inverse > 0 else 0.0


@kernel
def _climb(signal, weight, minutes, path, step, rate_step, fastest, terms):
    """Move a path to the highest statistic, in place and rate along one axis after the other."""
    best = _value(signal, weight, minutes, path[0], path[1], path[2], path[3], terms)
    for _ in range(_HALVINGS + 1):
        for _ in range(_MOST_SWEEPS):
            before = best
            for axis in range(2):
                place, rate = path[axis], path[axis + 2]
                for i in range(-1, 2):
                    for j in range(-1, 2):
                        old = path[axis], path[axis + 2]
                        path[axis], path[axis + 2] = place + i * step, rate + j * rate_step
                        value = _value(
                            signal, weight, minutes, path[0], path[1], path[2], path[3], terms
                        )
                        speed = path[2] * path[2] + path[3] * path[3]
                        if value > best and speed <= fastest * fastest:
                            best = value
                        else:
                            path[axis], path[axis + 2] = old
            if best == before:
                break
        step, rate_step = step / 2, rate_step / 2


def warm_up() -> None:
    """Compile the kernels of this module."""
    maps, minutes = np.ones((2, 5, 5), dtype=np.float32), np.array([-1.0, 1.0])
    highest_path(maps, maps, minutes, np.full((1, 4), 0.5), (0.5, 0.5), 1.0)
