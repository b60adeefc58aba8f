"""Solve Kepler's equation for all eccentricities by one variable.

The universal variable s, counted from perihelion, obeys ``t = q s + e s^3 c3(alpha s^2)`` with
``alpha = (1 - e) / q`` and times in units of 1/k days. The equation has no cancellation and no
branch at e = 1: for ellipses ``s sqrt(alpha)`` is the eccentric anomaly, for parabolas the equation
is Barker's. Its derivative is the distance r > 0, so that it has one root.

References
----------
Stumpff (1959), Himmelsmechanik I; Danby (1988), Fundamentals of Celestial Mechanics, section 6.9
(both from memory); the form from perihelion follows from theirs with radial velocity 0.
"""

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]

_SERIES_TERMS = 15  # 10^15 / 33! = 1e-22
_SERIES_REACH = 10.0  # above pi^2, which no reduced ellipse exceeds
_SMALL_FIRST = tuple(range(_SERIES_TERMS, 0, -1))
_LAST_STEP = 1e-8  # of s: the error after a step is of the order of its cube
_MOST_STEPS = 60
_CHUNK = 16384


def stumpff(z: Floats) -> tuple[Floats, Floats]:
    """Return Stumpff's functions c2 and c3.

    Parameters
    ----------
    z : numpy.ndarray
        ``(n,)`` at most 10; negative for hyperbolas.

    Returns
    -------
    c2, c3 : numpy.ndarray
        ``(n,)``: ``(1 - cos sqrt z) / z`` and ``(sqrt z - sin sqrt z) / sqrt(z)^3``, as series from
        -10, by hyperbolic functions below.
    """
    near = np.maximum(z, -_SERIES_REACH)
    c2, c3 = np.ones_like(z), np.ones_like(z)
    for k in _SMALL_FIRST:
        c2 *= near
        c2 *= -1.0 / ((2 * k + 1) * (2 * k + 2))
        c2 += 1.0
        c3 *= near
        c3 *= -1.0 / ((2 * k + 2) * (2 * k + 3))
        c3 += 1.0
    c2 *= 0.5
    c3 *= 1.0 / 6.0
    far = z < -_SERIES_REACH
    if far.any():
        root = np.sqrt(-z[far])
        c2[far] = (np.cosh(root) - 1.0) / root**2
        c3[far] = (np.sinh(root) - root) / root**3
    return c2, c3


def solve(
    time: npt.ArrayLike, perihelion: npt.ArrayLike, eccentricity: npt.ArrayLike
) -> tuple[Floats, Floats, Floats]:
    """Solve Kepler's equation.

    Parameters
    ----------
    time : array_like
        ``(n,)`` time since perihelion times Gauss's k, any sign.
    perihelion : array_like
        ``(n,)`` perihelion distance in au, positive.
    eccentricity : array_like
        ``(n,)`` 0 or more.

    Returns
    -------
    s, c2, c3 : numpy.ndarray
        ``(n,)`` the universal variable, and Stumpff's functions of ``alpha s^2``. Rows with values
        that are not finite, or out of range, give NaN.
    """
    t, q, e = (
        np.ascontiguousarray(a, dtype=float).ravel()
        for a in np.broadcast_arrays(time, perihelion, eccentricity)
    )
    s, c2, c3 = np.empty_like(t), np.empty_like(t), np.empty_like(t)
    for start in range(0, t.size, _CHUNK):
        rows = slice(start, start + _CHUNK)
        with np.errstate(all="ignore"):  # rows without meaning give NaN
            s[rows], c2[rows], c3[rows] = _solve_chunk(t[rows], q[rows], e[rows])
    return s, c2, c3


def _solve_chunk(t: Floats, q: Floats, e: Floats) -> tuple[Floats, Floats, Floats]:
    sound = np.isfinite(t) & np.isfinite(q) & np.isfinite(e) & (q > 0) & (e >= 0)
    t, q, e = np.where(sound, t, 0.0), np.where(sound, q, 1.0), np.where(sound, e, 0.0)
    alpha = (1.0 - e) / q
    late = _without_periods(t, alpha)
    size = np.abs(late)
    s, most = _start(size, q, e, alpha)
    c2, c3 = stumpff(alpha * s * s)
    for _ in range(_MOST_STEPS):
        square = s * s
        distance = q + e * square * c2
        error = s * (q + e * square * c3) - size
        curvature = e * s * (1.0 - alpha * square * c3)
        slope = distance - 0.5 * error * curvature / distance
        step = error / np.maximum(slope, 0.5 * distance)
        s = np.clip(s - step, 0.0, most)
        c2, c3 = stumpff(alpha * s * s)
        if np.all(np.abs(step) <= _LAST_STEP * s):
            break
    s[~sound] = np.nan
    return np.copysign(s, late), c2, c3


def _without_periods(t: Floats, alpha: Floats) -> Floats:
    """Return times within half a period of perihelion."""
    closed = alpha > 1e-9
    period = 2 * np.pi * np.where(closed, alpha, 1.0) ** -1.5
    return np.where(closed, t - period * np.rint(t / period), t)


def _start(t: Floats, q: Floats, e: Floats, alpha: Floats) -> tuple[Floats, Floats]:
    """Return a first value of s and the most that s can be, for times from 0.

    The cubic with c3 = 1/6 is Barker's equation. Its root is too small for ellipses and too large
    for hyperbolas. There ``asinh`` of the mean anomaly bounds s as well.
    """
    third = np.maximum(e / 6.0, 1e-20)
    cubic = np.sqrt(4 * q / (3 * third)) * np.sinh(
        np.arcsinh(1.5 * t / q * np.sqrt(3 * third / q)) / 3
    )
    root = np.sqrt(np.abs(alpha))
    steep = np.where(root > 1e-5, root, 1.0)
    turn = np.arcsinh((t * steep**3 + cubic * steep) / np.maximum(e, 1.0)) / steep
    hyperbola = (alpha < 0) & (root > 1e-5)
    most = np.where(hyperbola, np.minimum(cubic, turn), t / q)
    half = np.where((alpha > 0) & (root > 1e-5), np.pi / steep, np.inf)
    most = np.minimum(most, half) * (1 + 1e-12)
    return np.minimum(cubic, most), most
