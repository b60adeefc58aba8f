"""A narrowband channel minus the continuum from a broadband channel."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from platefiles.channels.background_subtracted import (
    CORE,
    NO_DATA,
    NO_OTHER_DATA,
    FlatChannel,
)
from platefiles.channels.psf_match import Matching, match_pair
from platefiles.core.errors import UserError
from platefiles.settings.channels import Continuum
from platelib.bad_pixels.inpaint import inpaint_cores
from platelib.numerics.medians import median_of
from platelib.photometry.annulus import circle_fluxes
from platelib.photometry.continuum_scale import Scale, fit_scale

_RADIUS_FWHM = 1.5
_USUAL_FWHM_PX = 4.0
_LEAST_SIGMA = 15.0
_BAND_ROWS = 256


@dataclass(frozen=True)
class LineLight:
    """A narrowband channel after continuum subtraction.

    Attributes
    ----------
    image, variance : numpy.ndarray
        ``(ny, nx)`` float32. Saturated cores are filled from their rims; their variance is NaN.
    mask : numpy.ndarray
        ``(ny, nx)`` uint8: 1 no data in the narrow band, 2 no data in the broad band, 4 a core
        saturated in either.
    noise_factor : float
        Noise of large sums divided by the noise from the variance.
    scale : Scale
    matching : Matching
    """

    image: np.ndarray
    variance: np.ndarray
    mask: np.ndarray
    noise_factor: float
    scale: Scale
    matching: Matching

    def cards(self, names: tuple[str, str]) -> list[tuple]:
        """Cards that tell of it, for channels of these names."""
        scale, cores = self.scale, int(np.count_nonzero(self.mask & CORE))
        cards: list[tuple] = [
            ("CONTCHAN", names[1]),
            ("CONTSCAL", scale.value),
            ("CONTNUM", scale.stars),
            ("NCORE", cores),
        ]
        if scale.stars:
            cards += [
                ("CONTERR", scale.error),
                ("CONTSCAT", scale.scatter),
            ]
        return cards + self.matching.cards(names)


def line_light(
    narrow: FlatChannel,
    broad: FlatChannel,
    stars: tuple[np.ndarray, np.ndarray],
    sky_level: float,
    choice: Continuum,
    names: tuple[str, str],
    convolve: bool = True,
) -> LineLight:
    """Subtract the starlight of a broadband channel from a narrowband one.

    Parameters
    ----------
    narrow, broad : FlatChannel
        On one grid, in one unit. Their images are overwritten.
    stars : tuple of numpy.ndarray
        Their stars, of dtype `platelib.detection.star_table.STAR`.
    sky_level : float
        Sky level of the broadband channel; it is not subtracted.
    choice : Continuum
    names : tuple of str
        Names of the channels, for messages.
    convolve : bool
        Whether to match the sharper channel to the PSF of the other.

    Returns
    -------
    LineLight

    Raises
    ------
    UserError
        If the channels do not match, or the stars do not determine the scale.
    """
    if narrow.unit != broad.unit or narrow.image.shape != broad.image.shape:
        msg = (
            f"continuum: {names[0]}: the channels '{names[0]}' and '{names[1]}' differ in size or "
            f"unit ({narrow.unit}, {broad.unit}); name a channel of the same camera under 'minus'"
        )
        raise UserError(msg)
    mask = _without_cores(narrow) * np.uint8(NO_DATA)
    mask += _without_cores(broad) * np.uint8(NO_OTHER_DATA)
    pair, matching = match_pair((narrow, broad), stars, convolve=convolve)
    # The variance is read by rows; that of a convolved channel has its gaps already.
    spreads = [
        _Spread(now.variance, before.cores if now is before else None)
        for now, before in zip(pair, (narrow, broad), strict=True)
    ]
    narrow, broad = pair
    scale = _scale(narrow, broad, matching, choice.scale, names)
    usual = [spread.median() for spread in spreads]
    factor = _noise_factor((narrow.noise_factor, broad.noise_factor), usual, scale.value)
    image, variance = narrow.image, pair[matching.softened].variance
    if matching.kernel is None:
        variance = np.empty(mask.shape, dtype=np.float32)
    for start in range(0, len(image), _BAND_ROWS):
        rows = slice(start, start + _BAND_ROWS)
        image[rows] -= np.float32(scale.value) * (broad.image[rows] - np.float32(sky_level))
        variance[rows] = spreads[0][rows] + np.float32(scale.value**2) * spreads[1][rows]
        mask[rows][~np.isfinite(image[rows]) & (mask[rows] == 0)] = CORE
    inpaint_cores(image[None], mask == CORE)
    return LineLight(image, variance, mask, factor, scale, matching)


def _without_cores(channel: FlatChannel) -> np.ndarray:
    """Set the cores of a channel to gaps, and return which pixels had no data before."""
    gaps = ~np.isfinite(channel.image)
    channel.image[channel.cores] = np.nan
    return gaps


@dataclass(frozen=True)
class _Spread:
    """The variance of a channel, ``(ny, nx)`` of any byte order, and its cores if it has some."""

    variance: np.ndarray
    cores: np.ndarray | None

    def __getitem__(self, rows: slice) -> np.ndarray:
        """Return rows as float32, NaN in cores."""
        values = np.asarray(self.variance[rows], np.float32)
        if self.cores is None:
            return values
        return np.where(self.cores[rows], np.float32(np.nan), values)

    def median(self) -> float:
        """Return the median of what is not NaN; one copy of that is held."""
        known = np.empty(self.variance.size, dtype=np.float32)
        count = 0
        for start in range(0, len(self.variance), _BAND_ROWS):
            rows = self[start : start + _BAND_ROWS]
            values = rows[~np.isnan(rows)]
            known[count : count + len(values)] = values
            count += len(values)
        return median_of(known[:count])


def _scale(
    narrow: FlatChannel,
    broad: FlatChannel,
    matching: Matching,
    wanted: str | float,
    names: tuple[str, str],
) -> Scale:
    """Return the scale of the broadband channel, as given or from the stars of the field."""
    if not isinstance(wanted, str):
        return Scale(float(wanted), 0.0, 0.0, 0)
    fwhm = matching.kernel.wanted_px if matching.kernel else _USUAL_FWHM_PX
    place = (np.ascontiguousarray(matching.pairs.x), np.ascontiguousarray(matching.pairs.y))
    columns = []
    for channel in (narrow, broad):
        flux, error = circle_fluxes(channel.image, channel.variance, *place, _RADIUS_FWHM * fwhm)
        columns += [flux, error * channel.noise_factor]
    sure = np.all([columns[k] > _LEAST_SIGMA * columns[k + 1] for k in (0, 2)], axis=0)
    try:
        return fit_scale(*(column[sure] for column in columns))
    except ValueError as error:
        msg = (
            f"continuum: {names[0]}: scale: {error} (stars that '{names[0]}' and '{names[1]}' "
            "share); give the scale as a number, or take the channel out of 'continuum'"
        )
        raise UserError(msg) from error


def _noise_factor(factors: tuple[float, float], variances: Sequence[float], scale: float) -> float:
    """Return ``NOISCORR`` of a difference of channels with different noise correlation lengths."""
    usual = variances[0], scale**2 * variances[1]
    sums = sum(one * factor**2 for one, factor in zip(usual, factors, strict=True))
    return float(f"{np.sqrt(sums / sum(usual)):.4f}")
