"""Transforms from world coordinates, and their check by stars."""

from dataclasses import dataclass

import numpy as np

from platelib.astrometry.tan_sip import SkyMap
from platelib.numerics.neighbours import mutual_pairs
from platelib.numerics.polynomial_degree import count_terms
from platelib.numerics.transform import Transform, basis, least_squares, normalisation, polynomial
from platelib.registration.match import GridStars
from platelib.registration.match_significance import log_chance
from platelib.registration.sub_state import Cause, LeftOut
from platelib.registration.transform_fit import Match

_POINTS = 16
_CLOSE_PX = 0.005
_BENT_PX = 0.1
_REACH_PX = 3.0
_ROUND_DIGITS = 7
_LOG_AGREES = -4.0
_SAME_PX = 0.1
_CERTAIN = 3.0


class WorldDisagrees(LeftOut):
    """World coordinates that cannot serve; the message says why, after "the header's"."""


@dataclass(frozen=True)
class Lists:
    """Stars without any flag: their positions on the grid and in a sub, ``(n, 2)`` each."""

    grid_xy: np.ndarray
    raw_xy: np.ndarray


def world_transform(
    grid: SkyMap, sub: SkyMap, shape: tuple[int, int], max_degree: int
) -> Transform:
    """Return the transform from the grid to a sub that their world coordinates imply.

    Parameters
    ----------
    grid, sub : SkyMap
        World coordinates of both.
    shape : tuple of int
        ``(ny, nx)`` of the grid.
    max_degree : int
        Highest degree of the polynomial; the lowest that follows the map to 0.005 px is taken.

    Raises
    ------
    WorldDisagrees
        If no polynomial of that degree follows the map to 0.1 px.
    """
    y, x = np.mgrid[0 : shape[0] - 1 : _POINTS * 1j, 0 : shape[1] - 1 : _POINTS * 1j]
    x, y = x.ravel(), y.ravel()
    target = np.stack(sub.pixels(*grid.sky(x, y)))
    if not np.isfinite(target).all():
        msg = "world coordinates do not reach over the grid"
        raise WorldDisagrees(msg, Cause.WORLD_DISAGREES)
    centre_x, centre_y, scale = normalisation(shape)
    terms = basis((x - centre_x) / scale, (y - centre_y) / scale, max_degree)
    miss = np.inf
    for degree in range(1, max_degree + 1):
        part = terms[: count_terms(degree)]
        coefficients = np.round(least_squares(part, target, np.ones(len(x))), _ROUND_DIGITS)
        miss = float(np.hypot(*(polynomial(part, coefficients) - target)).max())
        if miss < _CLOSE_PX:
            break
    if miss > _BENT_PX:
        msg = (
            f"world coordinates bend by {miss:.1f} px more than a polynomial of degree "
            f"{max_degree} does (registration.max_degree)"
        )
        raise WorldDisagrees(msg, Cause.MAX_DEGREE)
    return Transform(degree, centre_x, centre_y, scale, *coefficients)


def checked_by_stars(transform: Transform, grid: GridStars, lists: Lists) -> Match:
    """Return a transform with the stars that confirm it.

    Stars confirm it if chance would hardly bring as many together, if they are not shifted as a
    whole, and if a transform fitted to them leads to the same places: each within 0.1 px or three
    times the error with which the stars can tell.

    Parameters
    ----------
    transform : Transform
        From world coordinates.
    grid : GridStars
    lists : Lists

    Raises
    ------
    WorldDisagrees
        If the stars do not confirm it.
    """
    places = np.stack(transform(*lists.grid_xy.T))
    i, j = mutual_pairs(places.T, lists.raw_xy, _REACH_PX)
    miss = lists.raw_xy[j].T - places[:, i]
    if len(i):
        middle = np.median(miss, axis=1)
        away = np.hypot(*(miss - middle[:, None]))
        near = away <= 4 * max(1.2 * float(np.median(away)), 1e-3)
        i, j, miss = i[near], j[near], miss[:, near]
    count = len(i)
    rms = float(np.sqrt(np.mean((miss**2).sum(axis=0)))) if count else np.inf
    if not count or log_chance(places, lists.raw_xy, count, rms, 0, 1) > _LOG_AGREES:
        msg = f"world coordinates are not confirmed by stars: {count} of {len(places.T)} agree"
        raise WorldDisagrees(msg, Cause.WORLD_DISAGREES)
    shift = float(np.hypot(*miss.mean(axis=1)))
    spread = float(np.sqrt(np.mean(((miss - miss.mean(axis=1, keepdims=True)) ** 2).sum(axis=0))))
    if shift > max(_SAME_PX, _CERTAIN * spread / count**0.5):
        msg = f"world coordinates are off by {shift:.2f} px from {count} stars"
        raise WorldDisagrees(msg, Cause.WORLD_DISAGREES)
    fitted = grid.match_near(transform, lists.raw_xy, 3)
    if fitted is not None:
        theirs = np.stack(fitted.transform(*lists.grid_xy[i].T))
        apart = float(np.sqrt(np.mean(((theirs - places[:, i]) ** 2).sum(axis=0))))
        error = fitted.rms_px * (len(fitted.transform.x) / len(fitted.grid_index)) ** 0.5
        if apart > max(_SAME_PX, _CERTAIN * error):
            msg = f"world coordinates are off by {apart:.2f} px rms from {count} stars"
            raise WorldDisagrees(msg, Cause.WORLD_DISAGREES)
    return Match(transform, i, j, round(rms, 5))
