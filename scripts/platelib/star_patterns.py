"""Finding which stars of a sub are those of the grid, and the transform that leads to them.

The seed is a similarity found by comparing triangles of stars and letting them vote (Groth 1986,
AJ 91, 1244; Valdes et al. 1995, PASP 107, 1119), with nothing random in it. It is refined on all
stars by nearest neighbours and weighted least squares, solved in a fixed order.
"""

from dataclasses import dataclass
from itertools import combinations
from typing import Any

import numpy as np
from scipy.spatial import cKDTree

from platelib.transforms import Transform, basis, least_squares, normalisation, polynomial

_LADDER = (30, 60, 120)
_SIDE_TOLERANCE = 0.006
_REACH_PX = 9.0
_FALL = 0.95
_ROUND_DIGITS = 7


@dataclass(frozen=True)
class Match:
    """A transform with the stars that carry it.

    Attributes
    ----------
    transform : Transform
    grid_index, raw_index : numpy.ndarray
        ``(n,)`` int64: which stars of the two lists are the same.
    rms_px : float
        Root mean square of the distances of matched stars, raw pixels.
    """

    transform: Transform
    grid_index: np.ndarray
    raw_index: np.ndarray
    rms_px: float


class NoMatch(Exception):
    """Two star lists that do not show the same field; the message says how near it came."""


def match_stars(
    grid_xy: np.ndarray,
    raw_xy: np.ndarray,
    weights: np.ndarray,
    shape: tuple[int, int],
    min_matches: int,
    max_degree: int,
) -> Match:
    """Find the transform from the grid's stars to a sub's stars.

    Parameters
    ----------
    grid_xy : numpy.ndarray
        ``(n, 2)`` float64 positions on the grid, brightest first.
    raw_xy : numpy.ndarray
        ``(m, 2)`` float64 positions in the raw frame, brightest first.
    weights : numpy.ndarray
        ``(n,)`` weights of the grid's stars in the fit, inverse variances in px^-2.
    shape : tuple of int
        ``(ny, nx)`` of the grid.
    min_matches : int
        Fewer stars in common are no match.
    max_degree : int
        Highest degree of the polynomial; it is raised only while the residuals fall.

    Returns
    -------
    Match

    Raises
    ------
    NoMatch
        With how many stars agreed at best.
    """
    if min(len(grid_xy), len(raw_xy)) < 3:
        msg = f"only {min(len(grid_xy), len(raw_xy))} stars to match"
        raise NoMatch(msg)
    best = 0
    for most in _LADDER:
        for mirrored in (False, True):
            seed = _similarity(grid_xy[:most], raw_xy[:most], mirrored)
            if seed is None:
                continue
            match = _refine(seed, grid_xy, raw_xy, weights, shape, max_degree)
            if match is None:
                continue
            agreed = len(match.grid_index)
            best = max(best, agreed)
            if agreed >= min_matches and agreed > _chance(len(grid_xy), raw_xy, match.rms_px):
                return match
        if most >= max(len(grid_xy), len(raw_xy)):
            break
    msg = f"no match with the reference: {best} of {len(raw_xy)} stars agree"
    raise NoMatch(msg)


def _chance(n: int, raw_xy: np.ndarray, rms_px: float) -> float:
    """Agreements as close as these that unrelated lists would reach by chance, with a margin.

    Three stars agree because the triangle was chosen so; hundreds of triangles were tried.
    """
    spread = np.ptp(raw_xy, axis=0)
    area = max(float(spread[0] * spread[1]), 1.0)
    expected = n * len(raw_xy) * np.pi * max(3 * rms_px, 1.0) ** 2 / area
    return expected + 5 * np.sqrt(expected) + 6


def _tree(points: np.ndarray) -> Any:
    return cKDTree(points)


def _triangles(xy: np.ndarray):
    """Return corner indices, shape (ratios of sides), handedness and size of triangles of stars."""
    corners = set(combinations(range(min(len(xy), 12)), 3))
    if len(xy) > 3:
        _, near = _tree(xy).query(xy, k=min(6, len(xy)))
        for row in near:
            corners.update(combinations(sorted(int(star) for star in row), 3))
    index = np.array(sorted(corners))
    points = xy[index]
    sides = np.stack(
        [np.hypot(*(points[:, (k + 1) % 3] - points[:, (k + 2) % 3]).T) for k in range(3)],
        axis=1,
    )
    order = np.argsort(-sides, axis=1, kind="stable")
    sides = np.take_along_axis(sides, order, axis=1)
    index = np.take_along_axis(index, order, axis=1)
    shape = np.c_[sides[:, 1] / sides[:, 0], sides[:, 2] / sides[:, 0]]
    a, b, c = (xy[index[:, k]] for k in range(3))
    hand = np.sign((b - a)[:, 0] * (c - a)[:, 1] - (b - a)[:, 1] * (c - a)[:, 0])
    good = (shape[:, 1] > 0.1) & (sides[:, 0] > 20) & (shape[:, 0] < 0.985)
    good &= shape[:, 1] < 0.985 * shape[:, 0]
    return index[good], shape[good], hand[good]


def _similarity(grid_xy, raw_xy, mirrored: bool):
    """Vote for a similarity ``z' = a z + b`` (of the conjugate, if mirrored) of complex places."""
    source = grid_xy * np.array([1.0, -1.0]) if mirrored else grid_xy
    corners_s, shape_s, hand_s = _triangles(source)
    corners_r, shape_r, hand_r = _triangles(raw_xy)
    if not len(corners_s) or not len(corners_r):
        return None
    near = _tree(shape_r).query_ball_point(shape_s, _SIDE_TOLERANCE, return_sorted=True)
    i = np.repeat(np.arange(len(near)), [len(row) for row in near])
    j = np.array([k for row in near for k in row], dtype=int)
    same_hand = hand_s[i] == hand_r[j]
    i, j = i[same_hand], j[same_hand]
    if not len(i):
        return None
    z, target = source[:, 0] + 1j * source[:, 1], raw_xy[:, 0] + 1j * raw_xy[:, 1]
    p, q = z[corners_s[i]], target[corners_r[j]]
    middle_p, middle_q = p.mean(axis=1), q.mean(axis=1)
    arm = p - middle_p[:, None]
    a = (np.conj(arm) * (q - middle_q[:, None])).sum(axis=1) / (np.abs(arm) ** 2).sum(axis=1)
    b = middle_q - a * middle_p
    return _elect(z, raw_xy, a, b, mirrored)


def _elect(z, raw_xy, a, b, mirrored):
    """Choose, of the most voted similarities, the one under which most stars coincide."""
    centre = z.mean()
    size = max(float(np.abs(z - centre).max()), 1.0)
    middle = a * centre + b
    key = np.c_[np.log(np.abs(a)) * size, np.angle(a) * size, middle.real, middle.imag] / 8
    votes = _tree(key).query_ball_point(key, 1.0, return_length=True)
    tree = _tree(raw_xy)
    tried: list[np.ndarray] = []
    best, chosen = 0, None
    for k in np.argsort(-votes, kind="stable")[:80]:
        if any(np.abs(key[k] - other).max() < 0.5 for other in tried):
            continue
        tried.append(key[k])
        image = a[k] * z + b[k]
        distance, near = tree.query(np.c_[image.real, image.imag], distance_upper_bound=_REACH_PX)
        agreed = len(np.unique(near[np.isfinite(distance)]))
        if agreed > best:
            best, chosen = agreed, (complex(a[k]), complex(b[k]), mirrored)
        if len(tried) >= 16:
            break
    return chosen if best >= 3 else None


def _refine(seed, grid_xy, raw_xy, weights, shape, max_degree) -> Match | None:
    """Fit polynomials to mutual nearest neighbours, of rising degree while the residuals fall."""
    a, b, mirrored = seed
    z = grid_xy[:, 0] + 1j * (-grid_xy[:, 1] if mirrored else grid_xy[:, 1])
    image = a * z + b
    place = np.c_[image.real, image.imag]
    tree = _tree(raw_xy)
    match: Match | None = None
    for degree in range(1, max_degree + 1):
        reach = _REACH_PX if match is None else max(4 * match.rms_px, 0.7)
        better = _fit_degree(degree, place, tree, grid_xy, raw_xy, weights, shape, reach)
        if better is None:
            break
        # A lens is odd about its axis: the cubic may be needed where the quadratic is not.
        if match is not None and not _is_better(better, match):
            continue
        match = better
        place = np.stack(match.transform(grid_xy[:, 0], grid_xy[:, 1]), axis=1)
    return match


def _is_better(higher: Match, lower: Match) -> bool:
    """Say whether a higher degree is worth it: residuals fall, and by more than chance has it.

    The second is an F test of the added coefficients; 4 is beyond chance for any number of stars
    that is let in.
    """
    count, terms = len(higher.grid_index), len(higher.transform.x)
    if count < 4 * terms or higher.rms_px > _FALL * lower.rms_px:
        return False
    added = terms - len(lower.transform.x)
    fall = max(lower.rms_px, 1e-4) ** 2 / max(higher.rms_px, 1e-4) ** 2 - 1
    return fall * (count - terms) / added > 4


def _fit_degree(degree, place, tree, grid_xy, raw_xy, weights, shape, reach) -> Match | None:
    centre_x, centre_y, scale = normalisation(shape)
    unknowns = (degree + 1) * (degree + 2) // 2
    match = None
    for _ in range(6):
        i, j = _mutual(place, tree, reach)
        if len(i) < max(unknowns, 3):
            return match
        u = (grid_xy[i, 0] - centre_x) / scale
        v = (grid_xy[i, 1] - centre_y) / scale
        coefficients, used = _robust_fit(basis(u, v, degree), raw_xy[j], weights[i])
        if used.sum() < unknowns:
            return match
        coefficients = np.round(coefficients.T, _ROUND_DIGITS)
        transform = Transform(degree, centre_x, centre_y, scale, *coefficients)
        place = np.stack(transform(grid_xy[:, 0], grid_xy[:, 1]), axis=1)
        residual = np.hypot(*(place[i] - raw_xy[j]).T)[used]
        rms = float(np.sqrt(np.mean(residual**2)))
        settled = match is not None and np.array_equal(match.grid_index, i[used])
        match = Match(transform, i[used], j[used], round(rms, 5))
        if settled:
            break
        reach = min(max(5 * rms, 0.7), reach)
    return match


def _mutual(place, tree, reach) -> tuple[np.ndarray, np.ndarray]:
    """Pair each star with its nearest neighbour, where both have no nearer one."""
    distance, near = tree.query(place, distance_upper_bound=reach)
    found = np.flatnonzero(np.isfinite(distance))
    order = found[np.lexsort((found, distance[found]))]
    _, first = np.unique(near[order], return_index=True)
    chosen = np.sort(order[first])
    return chosen, near[chosen]


def _robust_fit(terms, target, weights) -> tuple[np.ndarray, np.ndarray]:
    """Weighted least squares with outliers beyond 4 sigma left out, repeated until it settles."""
    used = np.ones(len(terms), dtype=bool)
    coefficients = np.zeros((terms.shape[1], 2))
    for _ in range(8):
        coefficients = least_squares(terms[used], target[used], weights[used])
        residual = np.hypot(*(polynomial(terms, coefficients) - target).T)
        width = max(1.2 * float(np.median(residual[used])), 1e-3)
        keep = residual < 4 * width
        if np.array_equal(keep, used) or keep.sum() < terms.shape[1]:
            break
        used = keep
    return coefficients, used
