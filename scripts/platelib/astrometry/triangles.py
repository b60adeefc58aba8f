"""Similarity transforms between star lists, by voting of matched triangles.

Groth (1986), AJ 91, 1244; Valdes et al. (1995), PASP 107, 1119.
"""

from itertools import combinations

import numpy as np

from platelib.numerics.neighbours import close_pairs

REACH_PX = 9.0
"""Stars coincide if they are no further apart than this under a similarity, pixels."""

_BRIGHTEST = 12
_NEAREST = 6
_SIDE_TOLERANCE = 0.006
_VOTE_PX = 8.0
_MOST_VOTED, _MOST_TRIED = 80, 16


class Triangles:
    """Triangles of some stars, by the ratios of their sides.

    Parameters
    ----------
    xy : numpy.ndarray
        ``(n, 2)`` float64 positions, brightest first; three stars at least.
    brightest : int
        All triangles of so many of the first stars are among them.
    nearest : int
        So are all of each star and its neighbours, so many together.
    """

    def __init__(self, xy: np.ndarray, brightest: int = _BRIGHTEST, nearest: int = _NEAREST):
        self._z = xy[:, 0] + 1j * xy[:, 1]
        index = _corners(self._z, brightest, nearest)
        points = self._z[index]
        sides = np.abs(points[:, [1, 2, 0]] - points[:, [2, 0, 1]])
        order = np.argsort(-sides, axis=1, kind="stable")
        sides = np.take_along_axis(sides, order, axis=1)
        index = np.take_along_axis(index, order, axis=1)
        ratios = sides[:, 1:] / np.maximum(sides[:, :1], 1e-9)
        good = (ratios[:, 1] > 0.1) & (sides[:, 0] > 20) & (ratios[:, 0] < 0.985)
        good &= ratios[:, 1] < 0.985 * ratios[:, 0]
        self._ratios, self._corners = ratios[good], self._z[index[good]]
        a, b, c = self._corners.T
        self._hands = np.sign(((b - a).conj() * (c - a)).imag)

    def similarity(self, other: "Triangles") -> tuple[complex, complex] | None:
        """Vote for the similarity that leads to other stars.

        Parameters
        ----------
        other : Triangles

        Returns
        -------
        a, b : complex
            With ``z = x + i y``, a star at ``z`` is found at ``a z + b``; None if there is no such
            similarity under which three stars coincide.
        """
        a, b = self.similarities(other)
        return self.elected(a, b, other) if len(a) else None

    def similarities(self, other: "Triangles") -> tuple[np.ndarray, np.ndarray]:
        """Return the similarity of each pair of triangles of one shape, ``(n,)`` complex a and b.

        They are as in `similarity`.
        """
        i, j = close_pairs(self._ratios, other._ratios, _SIDE_TOLERANCE)
        same_hand = self._hands[i] == other._hands[j]
        i, j = i[same_hand], j[same_hand]
        p, q = self._corners[i], other._corners[j]
        middle_p, middle_q = p.mean(axis=1), q.mean(axis=1)
        arm = p - middle_p[:, None]
        a = (arm.conj() * (q - middle_q[:, None])).sum(axis=1) / (np.abs(arm) ** 2).sum(axis=1)
        return a, middle_q - a * middle_p

    def elected(
        self, a: np.ndarray, b: np.ndarray, other: "Triangles"
    ) -> tuple[complex, complex] | None:
        """Choose, of the most voted similarities, the one under which most stars coincide.

        Parameters
        ----------
        a, b : numpy.ndarray
            ``(n,)`` complex, one at least, as from `similarities`.
        other : Triangles

        Returns
        -------
        a, b : complex
            None if there is none under which three stars coincide.
        """
        target = other._z
        centre = self._z.mean()
        size = max(float(np.abs(self._z - centre).max()), 1.0)
        middle = a * centre + b
        key = np.stack(
            [np.log(np.abs(a)) * size, np.angle(a) * size, middle.real, middle.imag], axis=1
        )
        key /= _VOTE_PX
        tried: list[int] = []
        for k in _most_voted(key).tolist():
            if not (np.abs(key[tried] - key[k]).max(axis=1) < 0.5).any():
                tried.append(k)
            if len(tried) == _MOST_TRIED:
                break
        image = a[tried, None] * self._z + b[tried, None]
        distance = np.abs(image[:, :, None] - target)
        near = distance.argmin(axis=2)
        coincide = distance.min(axis=2) < REACH_PX
        agreed = [len(np.unique(n[c])) for n, c in zip(near, coincide, strict=True)]
        best = int(np.argmax(agreed))
        if agreed[best] < 3:
            return None
        return complex(a[tried[best]]), complex(b[tried[best]])


def _most_voted(key: np.ndarray) -> np.ndarray:
    """Return the points that have most others within 1, the most first.

    No point has more near it than are near in each coordinate alone, which is soon counted.
    """
    bound = np.full(len(key), len(key))
    for column in key.T:
        ordered = np.sort(column)
        near = np.searchsorted(ordered, column + 1, "right") - np.searchsorted(ordered, column - 1)
        bound = np.minimum(bound, near)
    likely = np.argsort(-bound, kind="stable")[:_MOST_VOTED]
    square = np.zeros((len(likely), len(key)))
    for column in key.T:
        square += (column[likely, None] - column) ** 2
    return likely[np.argsort(-(square <= 1).sum(axis=1), kind="stable")]


def _corners(z: np.ndarray, brightest: int, nearest: int) -> np.ndarray:
    """Choose triangles: all of the brightest stars, and all of each star and its neighbours."""
    count = len(z)
    triples = [np.array(list(combinations(range(min(count, brightest)), 3)))]
    if count > 3:
        near = np.argsort(np.abs(z[:, None] - z), axis=1, kind="stable")[:, :nearest]
        choice = np.array(list(combinations(range(near.shape[1]), 3)))
        triples.append(np.sort(near[:, choice].reshape(-1, 3), axis=1))
    corners = np.concatenate(triples)
    number = (corners[:, 0] * count + corners[:, 1]) * count + corners[:, 2]
    return corners[np.unique(number, return_index=True)[1]]
