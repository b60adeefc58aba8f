"""The zero point of one channel, from its image and the catalogue's stars in it."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from platefiles.config.star_archives import DEEPEST
from platefiles.fits.products_io import map_image, read_header
from platefiles.photometry.passbands import Band
from platefiles.registration.registration_table import RegisteredSub
from platefiles.subs.measures import MeasuredSub
from platelib.detection.star_profile import fitted_profile
from platelib.detection.star_table import FLAG_SATURATED
from platelib.numerics.constants import MEDIAN_ERROR
from platelib.numerics.neighbours import close_pairs
from platelib.photometry.aperture import aperture_correction, aperture_fluxes
from platelib.photometry.zero_point import ZeroPoint, fit_zero_point
from platelib.registration.sub_state import SubState

DEFINED = {"nanomaggy": 22.5, "nmgy": 22.5, "nanomaggies": 22.5}
"""Zero points that are part of a unit's definition (a nanomaggy is 22.5 mag AB; SDSS)."""

_INNER_FWHM, _RING_FWHM = 1.5, (7.0, 10.0)
_OUTER_FWHM = (6.0, 4.5, 3.5, 2.8, 2.3)
"""Radii up to which growth is measured, the next where the stars that stand alone so far do not
tell it well enough. The light beyond (of a Moffat profile with exponent 3.3: 0.0003 to 0.009) is
that of the profile that the growth implies."""
_GROWTH_ERROR_MAG = 0.005
_LEAST_APERTURE_PX = 2.5
_LARGEST_FWHM_PX = 12.0
_REACH_PX = 3.0
_LEAST_SNR, _GROWTH_SNR = 10.0, 60.0
_MOST_GROWTH_STARS = 60
_LEAST_SCATTER_MAG = 0.002
_FEWEST_GROWTH_STARS = 3
_NEIGHBOUR_SHARE = 0.02
_NAN = float("nan")


def channel_photometry(
    path: Path,
    registered: Sequence[RegisteredSub],
    measured: Mapping[str, MeasuredSub],
    grid_stars: np.ndarray,
    stars: Mapping[str, np.ndarray],
    band: Band,
) -> tuple[dict[str, Any], list[dict[str, Any]]]:
    """Measure the catalogue's stars in a channel and fit its zero point.

    Parameters
    ----------
    path : Path
        The integrated channel.
    registered : sequence of RegisteredSub
        Its subs.
    measured : mapping of str to MeasuredSub
        Measures by id of the sub.
    grid_stars : numpy.ndarray
        Stars of the reference sub, of dtype `platelib.detection.star_table.STAR`.
    stars : mapping of str to numpy.ndarray
        The catalogue's stars in the field, columns of `platefiles.astrometry.solution`.
    band : Band

    Returns
    -------
    row : dict
        Columns of ``CHANNELS`` from zero_point_mag to fwhm_px.
    rows : list of dict
        Columns of ``STARS`` after the channel.
    """
    used = [sub for sub in registered if sub.facts["state"] == SubState.USED]
    places = np.stack([stars["x"], stars["y"]], axis=1)
    saturated = _saturated(places, used, measured)
    light = _light(path, places, _fwhm(used), _growth_stars(grid_stars, used, measured), grid_stars)
    magnitude, colour = stars[f"mag_{band.name}"], _colour(stars, band)
    good = np.isfinite(light.flux) & np.isfinite(magnitude) & ~light.crowded & ~saturated
    good &= light.flux > _LEAST_SNR * light.error
    defined = DEFINED.get(str(read_header(path, "SCI").get("BUNIT", "")).strip().lower())
    notes = [] if defined is not None or not band.uncalibrated else [band.uncalibrated]
    fitted: ZeroPoint | None = None
    try:
        fitted = fit_zero_point(light.flux[good], light.error[good], magnitude[good], colour[good])
    except ValueError as why:
        notes.append(_too_few(str(why), len(places), int(saturated.sum()), "mag_VT" in stars))
    if not light.is_corrected:
        notes.append("no isolated stars to measure the aperture correction")
    row = {
        **_fit_columns(fitted, defined),
        "saturated": int(saturated.sum()),
        "band": band.name if defined is None else "AB",
        "colour": "-".join(band.colour) if band.colour else "",
        "pivot": band.pivot,
        "calibrated": defined is not None or not band.uncalibrated,
        "note": "; ".join(notes),
        "aperture_px": round(light.aperture_px, 3),
        "aperture_correction_mag": light.correction,
        "fwhm_px": round(_fwhm(used), 3),
    }
    shown = np.isfinite(light.flux) & ~saturated
    facts = {**stars, "magnitude": magnitude, "colour": colour + band.pivot}
    return row, _star_rows(facts, light, shown, good, fitted)


@dataclass(frozen=True)
class _Light:
    """Total flux of the catalogue's stars in a channel.

    ``crowded`` marks stars with a significant neighbour; ``correction`` is the aperture correction
    in magnitudes.
    """

    flux: np.ndarray
    error: np.ndarray
    crowded: np.ndarray
    aperture_px: float
    correction: float
    is_corrected: bool


def _light(
    path: Path, places: np.ndarray, fwhm: float, growth: np.ndarray, grid_stars: np.ndarray
) -> _Light:
    image, variance = map_image(path), map_image(path, "VAR")
    inner = max(_LEAST_APERTURE_PX, _INNER_FWHM * fwhm)
    ring = (_RING_FWHM[0] * fwhm, _RING_FWHM[1] * fwhm)
    flux, error = (m[:, 0] for m in aperture_fluxes(image, variance, places, (inner,), ring))
    crowded = _has_neighbour(places, grid_stars, inner)
    correction, error_mag = 0.0, np.inf
    every = np.stack([growth["x"], growth["y"]], axis=1)
    for wide in _OUTER_FWHM:
        alone = every[~_has_neighbour(every, grid_stars, wide * fwhm)][:_MOST_GROWTH_STARS]
        both, _ = aperture_fluxes(image, variance, alone, (inner, wide * fwhm), ring)
        found, scatter, count = aperture_correction(*both.T)
        deviation = MEDIAN_ERROR * max(scatter, _LEAST_SCATTER_MAG) / np.sqrt(max(count, 1))
        if count >= _FEWEST_GROWTH_STARS and deviation < error_mag:
            error_mag = deviation
            correction = found + _beyond(fwhm, (inner, wide * fwhm), found, deviation)
        if error_mag <= _GROWTH_ERROR_MAG:
            break
    enough = bool(np.isfinite(error_mag))
    total = flux * 10 ** (-0.4 * correction)
    # A sum over many pixels is noisier than their variances say.
    noise = error * float(read_header(path).get("NOISCORR", 1.0))
    return _Light(total, noise, crowded, inner, correction, enough)


def _beyond(fwhm: float, radii: tuple[float, float], growth: float, error: float) -> float:
    """Return the light outside the larger of two apertures, in magnitudes (at most 0)."""
    concentration = min(10 ** (0.4 * growth), 1.0)
    profile = fitted_profile(fwhm, radii, concentration, 0.92 * error)
    return 2.5 * float(np.log10(profile.share(radii[1])))


def _star_rows(
    facts: Mapping[str, np.ndarray],
    light: _Light,
    shown: np.ndarray,
    good: np.ndarray,
    fitted: ZeroPoint | None,
) -> list[dict[str, Any]]:
    """Return the rows of the measured stars."""
    residual, in_fit = np.full(len(good), np.nan), np.zeros(len(good), dtype=bool)
    if fitted is not None:
        residual[good], in_fit[good] = fitted.residual, fitted.used
    return [
        {
            "source": str(facts["source"][k]),
            "x": float(facts["x"][k]),
            "y": float(facts["y"][k]),
            "flux": float(f"{light.flux[k]:.7g}"),
            "flux_error": float(f"{light.error[k]:.4g}"),
            "magnitude": float(facts["magnitude"][k]),
            "colour": round(float(facts["colour"][k]), 5),
            "residual_mag": float(residual[k]),
            "used": bool(in_fit[k]),
        }
        for k in np.flatnonzero(shown)
    ]


def _fit_columns(fitted: ZeroPoint | None, defined: float | None) -> dict[str, Any]:
    by_stars = _NAN if fitted is None else fitted.value
    return {
        "zero_point_mag": by_stars if defined is None else defined,
        "error_mag": 0.0 if defined is not None else _NAN if fitted is None else fitted.error,
        "scatter_mag": _NAN if fitted is None else fitted.scatter,
        "colour_term": 0.0 if fitted is None or defined is not None else fitted.colour_term,
        "colour_error": _NAN if fitted is None else fitted.colour_error,
        "n_stars": 0 if fitted is None else int(fitted.used.sum()),
        "source": "unit" if defined is not None else "stars" if fitted is not None else "none",
        "star_zero_point_mag": by_stars,
    }


def _too_few(why: str, stars: int, saturated: int, by_tycho: bool) -> str:
    lost = f" ({saturated} of {stars} in the field are saturated)" if saturated else ""
    helps = (
        f"; `catalogue: {DEEPEST}` under `sky` in the project file gives fainter stars"
        if by_tycho
        else ""
    )
    return f"no zero point from stars: {why}{lost}{helps}"


def _fwhm(used: Sequence[RegisteredSub]) -> float:
    weights = np.array([sub.facts["weight"] for sub in used])
    widths = np.array([sub.facts["fwhm_px"] for sub in used])
    if not len(used) or not weights.sum() > 0:
        return 3.0
    return min(float((weights * widths).sum() / weights.sum()), _LARGEST_FWHM_PX)


def _colour(stars: Mapping[str, np.ndarray], band: Band) -> np.ndarray:
    """Return the colours of stars minus the pivot; NaN if unknown."""
    if band.colour is None:
        return np.full(len(stars["x"]), np.nan)
    one, other = band.colour
    return np.asarray(stars[f"mag_{one}"] - stars[f"mag_{other}"] - band.pivot)


def _saturated(
    places: np.ndarray, used: Sequence[RegisteredSub], measured: Mapping[str, MeasuredSub]
) -> np.ndarray:
    """Return which positions are saturated in any sub."""
    found = np.zeros(len(places), dtype=bool)
    for sub in used:
        level, pile_up = sub.facts["saturation_adu"], sub.facts["pile_up_adu"]
        stars = measured[sub.facts["id"]].with_saturation(level, pile_up).stars
        full = stars[(stars["flags"] & FLAG_SATURATED) > 0]
        if len(full):
            here = np.stack(sub.transform(places[:, 0], places[:, 1]), axis=1)
            near, _ = close_pairs(here, np.stack([full["x"], full["y"]], axis=1), _REACH_PX)
            found[near] = True
    return found


def _growth_stars(
    grid_stars: np.ndarray, used: Sequence[RegisteredSub], measured: Mapping[str, MeasuredSub]
) -> np.ndarray:
    """Choose bright stars unsaturated in all subs, for the aperture correction."""
    stars = grid_stars[grid_stars["flags"] == 0]
    bright = stars[stars["flux"] > _GROWTH_SNR * stars["flux_error"]]
    places = np.stack([bright["x"], bright["y"]], axis=1)
    return bright[~_saturated(places, used, measured)]


def _has_neighbour(places: np.ndarray, stars: np.ndarray, reach_px: float) -> np.ndarray:
    """Return which positions have a neighbour significant relative to their own star.

    Parameters
    ----------
    places : numpy.ndarray
        ``(n, 2)`` float64.
    stars : numpy.ndarray
        Stars of the reference sub.
    reach_px : float
    """
    others = np.stack([stars["x"], stars["y"]], axis=1)
    i, j = close_pairs(places, others, reach_px + _REACH_PX)
    distance = np.hypot(*(places[i] - others[j]).T)
    own = np.zeros(len(places))
    here = distance < _REACH_PX
    np.maximum.at(own, i[here], stars["flux"][j[here]])
    beside = ~here & (stars["flux"][j] > _NEIGHBOUR_SHARE * own[i])
    found = np.zeros(len(places), dtype=bool)
    found[i[beside]] = True
    return found
