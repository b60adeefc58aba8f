"""Sources in a difference: points and short trails, new ones and vanished ones.

Pixels of the signal-to-noise above a low limit form pieces. A piece that reaches the threshold is
a detection, or several if its maxima lie apart and no trail joins them. Each is fitted by the image
of a star, by that image drawn out to a trail, and by an image sharper than stars.
"""

from dataclasses import dataclass, fields

import numpy as np

from platelib.differences.bright_pieces import Piece, bright_pieces
from platelib.differences.filtered_difference import Compared
from platelib.differences.long_trails import LongTrails, is_long, part_long_trails
from platelib.differences.star_fit import Fitted, elongation_hint, fit_star
from platelib.differences.star_image import StarImage
from platelib.differences.statistic import Statistic
from platelib.numerics.constants import FWHM_PER_SIGMA

NEAR_BRIGHT, NEAR_MASK, NEAR_EDGE, ON_SOURCE, SHARP, BLENDED, WIDE = 1, 2, 4, 8, 16, 32, 64
"""Flags: light nearby takes a third of the signal-to-noise or more; masked pixels under the image;
the edge of the field; a source of the reference at this place; sharper than stars, as cosmic rays
are; several in one piece; wider than stars, as shadows of dust that have moved are."""
_APART_FWHM = 1.8
_LOST = 0.45
"""Share of the usual information below which light nearby counts."""
_SOURCE_SNR = 5.0
_TRAIL_GAIN, _SHORTEST_FWHM = 14.0, 0.6
"""Chi square by which a trail must beat a point, and its least length: under 1 in 1000 by chance
for two more parameters."""
_LEAST_SHARE = 0.8
"""Signal-to-noise that a fit must have, over the threshold that the filtered image reaches."""
_OTHER_GAIN = 9.0
"""Chi square by which an image that is no star's must beat one."""
_SHARP_SIGMA_PX = 0.6
_WIDE_FWHM = 2.5
_HINT_GAIN = 8.0
_SLIGHTLY, _ELONGATED = 1.4, 2.2
"""Ratio of the axes of a piece from which on a trail is tried, and from which on it may join the
maxima of a piece."""


@dataclass(frozen=True)
class Detections:
    """Sources of a difference, in the order of their rows.

    Attributes
    ----------
    x, y : numpy.ndarray
        ``(n,)`` float64: middle of the image or trail, px of the grid, at mid-exposure.
    x_error, y_error : numpy.ndarray
        ``(n,)`` float64: px, from the fit alone.
    flux, flux_error : numpy.ndarray
        ``(n,)`` float64: unit of the channel; negative where light is missing.
    snr : numpy.ndarray
        ``(n,)`` float64: of the best fit, with the sign of the flux.
    length_px, length_error, angle_deg : numpy.ndarray
        ``(n,)`` float64: trail, 0 for points, and its direction from the x axis, 0 to 180.
    sharpness : numpy.ndarray
        ``(n,)`` float64: signal-to-noise of a sharper image over that of a star: 1 and more for
        cosmic rays.
    flags : numpy.ndarray
        ``(n,)`` int64: `NEAR_BRIGHT`, `NEAR_MASK`, `NEAR_EDGE`, `ON_SOURCE`, `SHARP`, `BLENDED`,
        `WIDE`.
    """

    x: np.ndarray
    y: np.ndarray
    x_error: np.ndarray
    y_error: np.ndarray
    flux: np.ndarray
    flux_error: np.ndarray
    snr: np.ndarray
    length_px: np.ndarray
    length_error: np.ndarray
    angle_deg: np.ndarray
    sharpness: np.ndarray
    flags: np.ndarray

    def __len__(self) -> int:
        """Return the number of detections."""
        return len(self.x)

    def chosen(self, which: np.ndarray) -> "Detections":
        """Return some of the detections."""
        return Detections(*(getattr(self, one.name)[which] for one in fields(self)))


def detect(
    compared: Compared,
    image: StarImage,
    fwhm_px: float,
    threshold: float = 5.0,
    longest_px: float = 100.0,
) -> tuple[Detections, LongTrails]:
    """Find sources in a difference.

    Parameters
    ----------
    compared : Compared
    image : StarImage
    fwhm_px : float
    threshold : float
        Signal-to-noise.
    longest_px : float
        Longer trails are those of satellites.

    Returns
    -------
    detections : Detections
        Without those on long trails.
    trails : LongTrails
    """
    ratio = compared.statistic.significance()
    rows: list[tuple[float, ...]] = []
    long = []
    for sign in (1, -1):
        for piece in bright_pieces(ratio, sign, threshold):
            if sign > 0 and is_long(piece, ratio.shape, longest_px):
                long.append(piece)
            else:
                rows += _sources(compared, image, fwhm_px, threshold, piece)
    rows.sort(key=lambda row: (row[1], row[0]))
    table = np.array(rows, dtype=np.float64).reshape(len(rows), 12)
    columns = {
        one.name: np.ascontiguousarray(column, dtype=np.int64 if one.name == "flags" else None)
        for one, column in zip(fields(Detections), table.T, strict=True)
    }
    found = Detections(**columns)
    trails, apart = part_long_trails(long, found, fwhm_px, longest_px)
    return found.chosen(apart), trails


def hide_sharp(statistic: Statistic, found: Detections, radius_px: float) -> None:
    """Set both sums of a statistic to 0 around detections sharper than stars, in place.

    Parameters
    ----------
    statistic : Statistic
    found : Detections
    radius_px : float
    """
    ny, nx = statistic.signal.shape
    reach = int(np.ceil(radius_px + 1))
    for k in np.flatnonzero(found.flags & SHARP).tolist():
        x, y = int(np.rint(found.x[k])), int(np.rint(found.y[k]))
        part = np.s_[max(y - reach, 0) : y + reach + 1, max(x - reach, 0) : x + reach + 1]
        rows, columns = np.arange(ny)[part[0], None], np.arange(nx)[part[1]]
        near = np.hypot(columns - found.x[k], rows - found.y[k]) <= radius_px
        statistic.signal[part][near] = 0
        statistic.information[part][near] = 0


def _sources(compared, image, fwhm_px, threshold, piece) -> list[tuple[float, ...]]:
    """Return the rows of the detections of a piece."""
    places = piece.maxima(threshold, _APART_FWHM * fwhm_px)
    stamp = image.at(np.array([piece.x]), np.array([piece.y]))[0]
    planes = compared.difference.values, compared.difference.weight
    if len(places) > 1 and piece.elongation > _ELONGATED:
        joined = fit_star(*planes, stamp, (piece.x, piece.y), piece.trail)
        points = [fit_star(*planes, stamp, place) for place in places]
        if joined.gain > 0.8 * sum(point.gain for point in points):
            places = [(piece.x, piece.y)]
    rows = []
    shared = BLENDED if len(places) > 1 else 0
    for place in places:
        row = _measured(compared, stamp, fwhm_px, place, piece if len(places) == 1 else None)
        if row is not None and abs(row[6]) >= _LEAST_SHARE * threshold:
            rows.append(row)
            shared |= row[-1] & WIDE
    return [(*row[:-1], row[-1] | shared) for row in rows]


def _measured(compared, stamp, fwhm_px, place, piece):
    """Fit a detection as a point, as a trail, and as something sharper or wider."""
    planes = compared.difference.values, compared.difference.weight
    point = fit_star(*planes, stamp, place)
    trail = _trail(planes, stamp, fwhm_px, place, piece, point)
    best = point if trail is None else trail
    if best.gain <= 0.0:
        return None
    sharp = fit_star(*planes, _gaussian(_SHARP_SIGMA_PX), place)
    if trail is not None:
        thin = fit_star(
            *planes, _gaussian(_SHARP_SIGMA_PX), (trail.x, trail.y), (trail.along_x, trail.along_y)
        )
        sharp = thin if thin.gain > sharp.gain else sharp
    scale = compared.noise
    x, y = int(np.rint(best.x)), int(np.rint(best.y))
    ny, nx = planes[0].shape
    if not (0 <= x < nx and 0 <= y < ny):
        return None
    flags = _flags(compared, x, y, fwhm_px)
    if (sharp.gain - best.gain) / scale**2 > _OTHER_GAIN:
        flags |= SHARP
    wide = fit_star(*planes, _gaussian(_WIDE_FWHM * fwhm_px / FWHM_PER_SIGMA), place)
    if (wide.gain - best.gain) / scale**2 > _OTHER_GAIN:
        flags |= WIDE
    information = compared.statistic.information[y, x]
    error = best.flux_error * scale
    if trail is None and information > 0:
        error = max(error, 1 / float(np.sqrt(information)))
    length = best.length if trail is not None else 0.0
    angle = np.degrees(np.arctan2(best.along_y, best.along_x)) % 180.0 if length else 0.0
    return (
        best.x, best.y, best.x_error * scale, best.y_error * scale, best.flux, error,
        best.flux / error, length, best.length_error * scale, angle,
        float(np.sqrt(max(sharp.gain, 0.0) / best.gain)), flags,
    )  # fmt: skip


def _trail(
    planes: tuple[np.ndarray, np.ndarray],
    stamp: np.ndarray,
    fwhm_px: float,
    place: tuple[float, float],
    piece: Piece | None,
    point: Fitted,
) -> Fitted | None:
    """Return the fit of a trail if it beats that of a point."""
    starts = []
    if piece is not None and piece.elongation > _SLIGHTLY:
        starts.append(((piece.x, piece.y), piece.trail))
    gain, *along = elongation_hint(*planes, stamp, point)
    if gain > _HINT_GAIN:
        starts.append(((point.x, point.y), (along[0], along[1])))
    if not starts:
        return None
    fits = [fit_star(*planes, stamp, *start) for start in starts]
    best = max(fits, key=lambda fit: fit.gain)
    longest = best.length > _SHORTEST_FWHM * fwhm_px and best.length > 3 * best.length_error
    return best if longest and best.gain - point.gain > _TRAIL_GAIN else None


def _gaussian(sigma_px: float) -> np.ndarray:
    radius = max(2, int(np.ceil(2.5 * sigma_px)))
    step = np.arange(-radius, radius + 1)
    line = np.exp(-0.5 * (step / sigma_px) ** 2)
    plane = line * line[:, None]
    return np.asarray(plane / plane.sum())


def _flags(compared, x, y, fwhm_px) -> int:
    ny, nx = compared.difference.values.shape
    reach = max(1, round(fwhm_px))
    around = np.s_[max(y - reach, 0) : y + reach + 1, max(x - reach, 0) : x + reach + 1]
    flags = 0
    if min(x, y, nx - 1 - x, ny - 1 - y) < 2 * fwhm_px:
        flags |= NEAR_EDGE
    masked = bool((compared.difference.weight[around] == 0).any())
    if masked:
        flags |= NEAR_MASK
    information = float(compared.statistic.information[y, x])
    if not masked and information < _LOST * compared.usual:
        flags |= NEAR_BRIGHT
    if compared.light[y, x] ** 2 > _SOURCE_SNR**2 * compared.usual:
        flags |= ON_SOURCE
    return flags
