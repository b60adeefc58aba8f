"""The registration table, written by ``register`` and ``assess_subs`` and read by later steps."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from astropy.io import fits

from platefiles.fits.products_io import read_header
from platefiles.fits.tables import columns_hdu, read_columns, rows_of
from platelib.numerics.polynomial_degree import count_terms
from platelib.numerics.transform import Transform, normalisation
from platelib.registration.photometric_scale import FluxScale
from platelib.registration.sub_state import SubState

if (
    TYPE_CHECKING
):  # both import kernels, of which registering and reading use no more than they must
    from platefiles.subs.calibrated_sub import SkyNoise
    from platelib.registration.transform_fit import Match
    from platelib.resampling.resample import Levels

_MAX_TERMS = 21
_SKY_TERMS = 6
_MOST_STARS = 300

COLUMNS = {
    "id": "id of the sub",
    "name": "file inside the raw folder",
    "sha256": "SHA-256 of the raw file",
    "sums": "checksums of blocks of 128 rows of pixels",
    "night": "night, noon to noon",
    "start_utc": "start of the exposure, UTC",
    "exposure_s": "exposure, s",
    "state": "used, or the reason for rejection",
    "reason": "reason as a sentence",
    "causes": "limits that it failed, separated by semicolons",
    "width_px": "columns of the frame",
    "height_px": "rows of the frame",
    "stars": "number of unflagged stars",
    "fwhm_px": "median FWHM of the stars, px",
    "ellipticity": "median 1 - b/a of the stars",
    "sky_rate": "sky, unit of the channel",
    "noise_rate": "sky noise on the scale of the reference, unit of the channel",
    "transparency": "brightness of stars relative to the reference",
    "weight": "weight in the mean, relative to the largest",
    "matched": "number of stars matched with the reference",
    "rms_px": "rms residual of matched stars, px",
    "source": "origin of the transform: grid, stars or header",
    "degree": "degree of the transform",
    "x": "coefficients of raw x, see DEVELOPERS.md",
    "y": "coefficients of raw y",
    "factor": "flux scale to the reference",
    "factor_error": "standard error of factor",
    "factor_stars": "number of stars used for factor",
    "scale": "conversion of calibrated values to the unit of the channel",
    "sky_terms": "number of coefficients in sky_difference",
    "sky_difference": "coefficients of the subtracted sky, unit of the channel",
    "setting": "camera setting",
    "saturation_adu": "saturation level in raw values, adu",
    "pile_up_adu": "raw value at which pixels pile up, adu; 0: none",
    "excess": "sky variance divided by that of the detector model",
    "sky_noise": "noise of the sky in calibrated values",
    "light_variance": "variance per unit of light, if the gain is unknown",
}

STAR_COLUMNS = {
    "x": "x on the grid, 0-based, px",
    "y": "y on the grid, 0-based, px",
    "flux": "flux in the photometric reference, calibrated values",
}
"""Columns of the table ``STARS``: the brightest unsaturated stars of the photometric reference."""


@dataclass(frozen=True)
class RegisteredSub:
    """A row of ``TRANSFORMS``.

    Attributes
    ----------
    facts : dict
        The columns as plain values.
    transform : Transform
    levels : Levels
    """

    facts: dict[str, Any]
    transform: Transform
    levels: "Levels"

    @property
    def sky_noise(self) -> "SkyNoise":
        """Noise of the sub from its own sky."""
        from platefiles.subs.calibrated_sub import SkyNoise

        facts = self.facts
        level = facts["sky_rate"] * max(facts["exposure_s"], 1e-6)
        return SkyNoise(facts["sky_noise"] ** 2, level, facts["light_variance"])


def blank_row(facts: Mapping[str, Any], seconds: float) -> dict[str, Any]:
    """Return the row of an unmatched sub; ``seconds`` converts values to rates."""
    row = {
        name: facts[name]
        for name in (
            "id",
            "name",
            "sha256",
            "sums",
            "night",
            "start_utc",
            "exposure_s",
            "reason",
            "width_px",
            "height_px",
            "stars",
            "fwhm_px",
            "ellipticity",
            "setting",
            "saturation_adu",
            "pile_up_adu",
            "excess",
            "light_variance",
        )
    }
    return {
        **row,
        "state": SubState.USED if facts["state"] == SubState.MEASURED else SubState(facts["state"]),
        "causes": (),
        "sky_rate": facts["sky"] / seconds,
        "sky_noise": facts["noise"],
        "noise_rate": np.nan,
        "transparency": np.nan,
        "weight": 0.0,
        "matched": 0,
        "rms_px": np.nan,
        "source": "",
        "degree": 0,
        "x": np.zeros(_MAX_TERMS),
        "y": np.zeros(_MAX_TERMS),
        "factor": np.nan,
        "factor_error": np.nan,
        "factor_stars": 0,
        "scale": np.nan,
        "sky_terms": 1,
        "sky_difference": np.zeros(_SKY_TERMS),
    }


def fill_transform(row: dict[str, Any], match: "Match", source: str) -> None:
    """Write a match and its origin into a row."""
    terms = len(match.transform.x)
    row["source"] = source
    row["degree"], row["matched"], row["rms_px"] = (
        match.transform.degree,
        len(match.grid_index),
        match.rms_px,
    )
    row["x"][:terms], row["y"][:terms] = match.transform.x, match.transform.y


def fill_levels(
    row: dict[str, Any], factor: float, scale: FluxScale, sky: np.ndarray, exposure_s: float
) -> None:
    """Write flux scale and sky into a row; ``sky`` in the unit of the channel."""
    row["factor"], row["factor_error"], row["factor_stars"] = factor, scale.error, scale.count
    row["scale"] = float(f"{factor / exposure_s:.9g}")
    row["noise_rate"] = float(f"{row['sky_noise'] * factor / exposure_s:.6g}")
    row["sky_terms"] = len(sky)
    row["sky_difference"][: len(sky)] = [float(f"{term:.7g}") for term in sky]


def transforms_hdu(rows: Sequence[Mapping[str, Any]]) -> fits.BinTableHDU:
    """Return the table of a channel."""
    columns = {name: [row[name] for row in rows] for name in COLUMNS}
    columns["causes"] = [";".join(causes) for causes in columns["causes"]]
    return columns_hdu(columns, "TRANSFORMS", COLUMNS)


def stars_hdu(stars: np.ndarray, match: "Match | None") -> fits.BinTableHDU:
    """Return the table of stars for the PSF comparison of subs.

    Parameters
    ----------
    stars : numpy.ndarray
        Good stars of the photometric reference, of dtype `platelib.detection.star_table.STAR`.
    match : Match or None
        Of that sub; without it the table is empty.
    """
    if match is None:
        return columns_hdu({name: np.empty(0) for name in STAR_COLUMNS}, "STARS", STAR_COLUMNS)
    brightest = stars[np.argsort(-stars["flux"], kind="stable")][:_MOST_STARS]
    x, y = match.transform.inverse(brightest["x"], brightest["y"])
    columns = {
        "x": np.round(x, 2),
        "y": np.round(y, 2),
        "flux": brightest["flux"],
    }
    return columns_hdu(columns, "STARS", STAR_COLUMNS)


def copied_stars_hdu(path: str | Path) -> fits.BinTableHDU:
    """Return the table of stars of another registration of the channel."""
    return columns_hdu(read_columns(path, "STARS"), "STARS", STAR_COLUMNS)


def read_star_places(path: str | Path) -> np.ndarray:
    """Read the grid positions of the brightest unsaturated stars, brightest first.

    Returns
    -------
    numpy.ndarray
        ``(s, 2)`` float64: x and y.
    """
    columns = read_columns(path, "STARS")
    return np.stack([columns["x"], columns["y"]], axis=1).astype(np.float64)


def read_registration(path: str | Path) -> tuple[list[RegisteredSub], tuple[int, int]]:
    """Read a registration.

    Returns
    -------
    subs : list of RegisteredSub
        In the order of the table, in any state.
    shape : tuple of int
        ``(ny, nx)`` of the grid.
    """
    header = read_header(path)
    shape = (int(header["GRIDNY"]), int(header["GRIDNX"]))
    rows = rows_of(read_columns(path, "TRANSFORMS"))
    return [_registered(facts, shape) for facts in rows], shape


def _registered(facts: dict[str, Any], shape: tuple[int, int]) -> RegisteredSub:
    from platelib.resampling.resample import Levels

    terms = count_terms(facts["degree"])
    centre_x, centre_y, scale = normalisation(shape)
    transform = Transform(
        facts["degree"],
        centre_x,
        centre_y,
        scale,
        np.array(facts["x"][:terms], dtype=np.float64),
        np.array(facts["y"][:terms], dtype=np.float64),
    )
    sky = np.array(facts["sky_difference"][: facts["sky_terms"]], dtype=np.float64)
    return RegisteredSub(facts, transform, Levels(facts["scale"], sky, facts["excess"]))
