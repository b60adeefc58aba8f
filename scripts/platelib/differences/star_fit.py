"""Fit of a star image, as it is or drawn out to a trail, to the pixels of a difference.

The image is moved by Lanczos interpolation. Flux, place and trail are found together by the method
of Gauss and Newton with damping (Levenberg 1944; Marquardt 1963), with derivatives from differences
of models.
"""

from typing import NamedTuple

import numpy as np

from platelib.integration.psf_kernels import solve_symmetric
from platelib.numerics.kernels import allocating_kernel, kernel

_STEP_PX = 0.1
_ROUNDS = 12
_FARTHEST_PX = 2.5
_STEPS_A_PIXEL = 1.5
_REACH = 2


class Fitted(NamedTuple):
    """A fit.

    ``flux``, its error, ``x``, ``y`` and their errors, the trail ``along_x``, ``along_y`` as a
    vector, the error of its length, and ``gain``: what the fit lowers chi square by.
    """

    flux: float
    flux_error: float
    x: float
    y: float
    x_error: float
    y_error: float
    along_x: float
    along_y: float
    length_error: float
    gain: float

    @property
    def length(self) -> float:
        """Length of the trail, px."""
        return float(np.hypot(self.along_x, self.along_y))


def fit_star(
    values: np.ndarray,
    weight: np.ndarray,
    image: np.ndarray,
    place: tuple[float, float],
    trail: tuple[float, float] | None = None,
    free_trail: bool = True,
) -> Fitted:
    """Fit a star image to a difference.

    Parameters
    ----------
    values, weight : numpy.ndarray
        ``(ny, nx)`` float32.
    image : numpy.ndarray
        ``(side, side)`` float64 of sum 1, centred.
    place : tuple of float
        x and y to start from.
    trail : tuple of float, optional
        Vector of a trail to start from; without, none is fitted.
    free_trail : bool
        Whether the trail is fitted, or known and left as it is.

    Returns
    -------
    Fitted
        Errors are those of independent pixels. A gain of 0 says that there is no fit.
    """
    x, y = place
    start = np.array([0.0, x, y, *(trail if trail is not None else (0.0, 0.0))])
    reach = 0.5 * float(np.hypot(start[3], start[4]))
    half = len(image) // 2 + int(np.ceil(reach)) + _REACH
    column, row = int(np.rint(x)), int(np.rint(y))
    top, left = max(row - half, 0), max(column - half, 0)
    part = np.s_[top : row + half + 1, left : column + half + 1]
    patch, weights = (plane[part].astype(np.float64) for plane in (values, weight))
    start[1] -= left
    start[2] -= top
    found = np.empty(10)
    _fit(
        patch, weights, np.ascontiguousarray(image), start, trail is not None and free_trail, found
    )
    found[2] += left
    found[3] += top
    return Fitted(*found.tolist())


def elongation_hint(
    values: np.ndarray, weight: np.ndarray, image: np.ndarray, point: Fitted
) -> tuple[float, float, float]:
    """Return what a slight trail would gain over a point, and its rough vector.

    A short trail of length ``l`` adds ``l^2 / 24`` times the second derivative of the image along
    it. The three second derivatives are fitted at once.

    Parameters
    ----------
    values, weight, image
        As for `fit_star`.
    point : Fitted
        A fit without a trail.

    Returns
    -------
    gain, along_x, along_y : float
    """
    half = len(image) // 2 + _REACH
    column, row = int(np.rint(point.x)), int(np.rint(point.y))
    top, left = max(row - half, 0), max(column - half, 0)
    part = np.s_[top : row + half + 1, left : column + half + 1]
    patch, weights = (plane[part].astype(np.float64) for plane in (values, weight))
    place = np.array([point.flux, point.x - left, point.y - top, 0.0, 0.0])
    found = np.empty(4)
    _fit_curvature(patch, weights, np.ascontiguousarray(image), place, found)
    xx, yy, xy = (24.0 * found[1:] / point.flux).tolist()
    root = float(np.hypot((xx - yy) / 2, xy / 2))
    length = float(np.sqrt(max((xx + yy) / 2 + root, 0.25)))
    angle = 0.5 * float(np.arctan2(xy, xx - yy))
    return float(found[0]), length * float(np.cos(angle)), length * float(np.sin(angle))


@allocating_kernel
def _fit_curvature(patch, weights, image, place, found):
    """Fit the image with its first and second derivatives; fill the gain and the second ones."""
    ny, nx = patch.shape
    room = np.empty((image.shape[0] + 6, image.shape[1] + 6)), np.empty((2, 6))
    terms, drawn = np.zeros((6, ny, nx)), np.empty((ny, nx))
    moved = place.copy()
    for j in range(-1, 2):
        for i in range(-1, 2):
            moved[1], moved[2] = place[1] + i, place[2] + j
            _draw(image, moved, drawn, room)
            factors = (
                1.0 if i == 0 and j == 0 else 0.0,
                0.5 * i if j == 0 else 0.0,
                0.5 * j if i == 0 else 0.0,
                (1.0 if i else -2.0) if j == 0 else 0.0,
                (1.0 if j else -2.0) if i == 0 else 0.0,
                0.25 * i * j,
            )
            for k in range(6):
                for y in range(ny):
                    for x in range(nx):
                        terms[k, y, x] += factors[k] * drawn[y, x]
    matrix, right = np.zeros((6, 6)), np.zeros(6)
    for y in range(ny):
        for x in range(nx):
            for i in range(6):
                scaled = weights[y, x] * terms[i, y, x]
                right[i] += scaled * patch[y, x]
                for j in range(i + 1):
                    matrix[i, j] += scaled * terms[j, y, x]
    small, few, all_ = matrix[:3, :3].copy(), np.empty(3), np.empty(6)
    solve_symmetric(small, right[:3], few)
    solve_symmetric(matrix, right, all_)
    gain = 0.0
    for k in range(6):
        gain += all_[k] * right[k] - (few[k] * right[k] if k < 3 else 0.0)
    found[0], found[1], found[2], found[3] = gain, all_[3], all_[4], all_[5]


@allocating_kernel
def _fit(patch, weights, image, start, trailed, found):
    count = 5 if trailed else 3
    model = np.zeros((count + 1, *patch.shape))
    room = np.empty((image.shape[0] + 6, image.shape[1] + 6)), np.empty((2, 6))
    best, trial = start.copy(), start.copy()
    matrix, right, step = np.empty((count, count)), np.empty(count), np.empty(count)
    trial[0] = best[0] = _best_flux(patch, weights, image, best, model[0], room)
    chi, damping = _chi(patch, weights, model[0], best[0]), 1e-3
    first = _chi(patch, weights, model[0], 0.0)
    found[:] = 0.0
    if best[0] == 0.0:
        return
    for _ in range(_ROUNDS):
        _equations(patch, weights, image, best, model, room, matrix, right)
        for k in range(count):
            matrix[k, k] *= 1.0 + damping
        solve_symmetric(matrix, right, step)
        for k in range(count):
            trial[k] = best[k] + (step[k] if k == 0 else min(max(step[k], -1.0), 1.0))
        lost = abs(trial[1] - start[1]) > _FARTHEST_PX or abs(trial[2] - start[2]) > _FARTHEST_PX
        trial[0] = _best_flux(patch, weights, image, trial, model[0], room)
        new = np.inf if lost else _chi(patch, weights, model[0], trial[0])
        if new < chi:
            small = chi - new < 1e-4 * max(first - new, 1.0)
            best[:], chi, damping = trial, new, damping * 0.2
            if small:
                break
        else:
            damping = max(10.0 * damping, 1e-2)
            if damping > 1e6:
                break
    _report(patch, weights, image, best, model, room, matrix, first - chi, found)


@allocating_kernel
def _report(patch, weights, image, best, model, room, matrix, gain, found):
    """Fill in the fit and its errors, from the inverse of the normal matrix."""
    count = matrix.shape[0]
    right = np.empty(count)
    _equations(patch, weights, image, best, model, room, matrix, right)
    errors, column = np.zeros((count, count)), np.empty(count)
    for k in range(count):
        copy = matrix.copy()
        right[:] = 0.0
        right[k] = 1.0
        solve_symmetric(copy, right, column)
        errors[k] = column
    found[0], found[1] = best[0], np.sqrt(max(errors[0, 0], 0.0))
    found[2], found[3] = best[1], best[2]
    found[4], found[5] = np.sqrt(max(errors[1, 1], 0.0)), np.sqrt(max(errors[2, 2], 0.0))
    found[6], found[7], found[9] = best[3], best[4], gain
    if count == 5:
        length = np.sqrt(best[3] * best[3] + best[4] * best[4])
        if length > 0.0:
            u, v = best[3] / length, best[4] / length
            square = u * u * errors[3, 3] + 2.0 * u * v * errors[3, 4] + v * v * errors[4, 4]
            found[8] = np.sqrt(max(square, 0.0))


@kernel
def _best_flux(patch, weights, image, place, model, room):
    _draw(image, place, model, room)
    product, square = 0.0, 0.0
    for y in range(patch.shape[0]):
        for x in range(patch.shape[1]):
            product += weights[y, x] * model[y, x] * patch[y, x]
            square += weights[y, x] * model[y, x] * model[y, x]
    return product / square if square > 0.0 else 0.0


@kernel
def _chi(patch, weights, model, flux):
    total = 0.0
    for y in range(patch.shape[0]):
        for x in range(patch.shape[1]):
            rest = patch[y, x] - flux * model[y, x]
            total += weights[y, x] * rest * rest
    return total


@allocating_kernel
def _equations(patch, weights, image, place, model, room, matrix, right):
    """Fill in the normal equations; ``model`` gets the image and its derivatives."""
    count = matrix.shape[0]
    _draw(image, place, model[0], room)
    moved = place.copy()
    for k in range(1, count):
        moved[:] = place
        moved[k] += _STEP_PX
        _draw(image, moved, model[k], room)
        moved[k] -= 2.0 * _STEP_PX
        _draw(image, moved, model[count], room)
        for y in range(patch.shape[0]):
            for x in range(patch.shape[1]):
                slope = (model[k, y, x] - model[count, y, x]) / (2.0 * _STEP_PX)
                model[k, y, x] = place[0] * slope
    matrix[:] = 0.0
    right[:] = 0.0
    for y in range(patch.shape[0]):
        for x in range(patch.shape[1]):
            weight = weights[y, x]
            if weight == 0.0:
                continue
            rest = patch[y, x] - place[0] * model[0, y, x]
            for i in range(count):
                scaled = weight * model[i, y, x]
                right[i] += scaled * rest
                for j in range(i + 1):
                    matrix[i, j] += scaled * model[j, y, x]


@kernel
def _draw(image, place, model, room):
    """Draw an image of unit flux at a place, smeared along the trail."""
    model[:] = 0.0
    length = np.sqrt(place[3] * place[3] + place[4] * place[4])
    count = int(np.ceil(_STEPS_A_PIXEL * length)) + 1 if length > 0.0 else 1
    for k in range(count):
        share = (k + 0.5) / count - 0.5
        _add_image(image, place[1] + share * place[3], place[2] + share * place[4], 1.0 / count,
                   model, room)  # fmt: skip


@kernel
def _add_image(image, x, y, factor, model, room):
    """Add an image whose middle is at a place, interpolated along rows, then along columns."""
    lines, taps = room
    side = image.shape[0]
    half = side // 2
    column, row = int(np.floor(x)), int(np.floor(y))
    _weights(x - column, taps[0])
    _weights(y - row, taps[1])
    # The image at pixel i of the model is read at i - x: taps run the other way.
    for v in range(side):
        for u in range(side + 5):
            total = 0.0
            for k in range(6):
                at = u - k
                if 0 <= at < side:
                    total += taps[0, k] * image[v, at]
            lines[v, u] = total
    ny, nx = model.shape
    for v in range(side + 5):
        to = row + v - half - 2
        if to < 0 or to >= ny:
            continue
        for u in range(side + 5):
            at = column + u - half - 2
            if at < 0 or at >= nx:
                continue
            total = 0.0
            for k in range(6):
                if 0 <= v - k < side:
                    total += taps[1, k] * lines[v - k, u]
            model[to, at] += factor * total


@kernel
def _weights(fraction, taps):
    """Weights of Lanczos-3 that move an image by a fraction of a pixel to the right."""
    total = 0.0
    for k in range(6):
        away = k - 2 - fraction
        if abs(away) < 1e-9:
            taps[k] = 1.0
        elif abs(away) >= 3.0:
            taps[k] = 0.0
        else:
            angle = np.pi * away
            taps[k] = 3.0 * np.sin(angle) * np.sin(angle / 3.0) / (angle * angle)
        total += taps[k]
    for k in range(6):
        taps[k] /= total


def warm_up() -> None:
    """Compile the kernels of this module."""
    image = np.full((3, 3), 1 / 9)
    plane = np.zeros((9, 9), dtype=np.float32)
    plane[3:6, 3:6] = 1
    point = fit_star(plane, np.ones_like(plane), image, (4.0, 4.0))
    elongation_hint(plane, np.ones_like(plane), image, point)
