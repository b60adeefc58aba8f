"""Tables of light curves and of variable stars, as ECSV and VOTable."""

import io
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from platelib.light_curves.flux_series import FluxSeries
from platelib.light_curves.light_curves import LightCurves
from platelib.light_curves.periods import Period
from platelib.light_curves.variability import TESTS, Variability
from platelib.numerics.constants import MAG_ERROR


@dataclass(frozen=True)
class Column:
    """What a column holds: a sentence, a unit as in VOUnits, a UCD of the Virtual Observatory."""

    what: str
    unit: str = ""
    ucd: str = ""


CURVE_COLUMNS = {
    "jd_utc": Column("mid-exposure, Julian Date, UTC", "d", "time.epoch"),
    "bjd_tdb": Column("mid-exposure, barycentric Julian Date, TDB", "d", "time.epoch;meta.main"),
    "magnitude": Column("magnitude in the channel", "mag", "phot.mag"),
    "magnitude_error": Column("standard error of magnitude", "mag", "stat.error;phot.mag"),
    "relative_flux": Column("flux over the mean of the star", "", "phot.flux;arith.ratio"),
    "relative_error": Column("standard error of relative_flux", "", "stat.error;phot.flux"),
    "limit_mag": Column("error by photons, read noise and scintillation alone", "mag", ""),
    "check_magnitude": Column("magnitude of the check star", "mag", "phot.mag"),
    "airmass": Column("airmass; NaN: unknown", "", "obs.airMass"),
    "fwhm_px": Column("seeing of the sub, FWHM", "pix", "instr.obsty.seeing"),
    "exposure_s": Column("exposure time", "s", "time.duration;obs.exposure"),
    "outlier": Column("whether an isolated outlier, which no test uses", "", "meta.code.qual"),
}
"""Columns of the light curve of one star, one row a sub."""

STAR_COLUMNS = {
    "rank": Column("rank by significance, 1 the most significant", "", "meta.id;meta.main"),
    "star": Column("number of the star among all with a light curve, from 0", "", "meta.id"),
    "ra_deg": Column("right ascension, ICRS", "deg", "pos.eq.ra;meta.main"),
    "dec_deg": Column("declination, ICRS", "deg", "pos.eq.dec;meta.main"),
    "magnitude": Column("mean magnitude in the channel", "mag", "phot.mag;stat.mean"),
    "variable": Column("whether called variable", "", "meta.code"),
    "reason": Column("most significant test: scatter, correlation, flare, dip", "", "meta.note"),
    "log10_p": Column("log10 of the probability that a constant star does as much", "", ""),
    "false_discovery": Column("expected share of constant stars up to this rank", "", ""),
    "false_alarm": Column("probability that any constant star ranks as high", "", ""),
    "chi_square": Column("reduced chi square against a constant", "", "stat.fit.chi2"),
    "stetson_j": Column("correlated variation, Stetson J", "", "stat.correlation"),
    "amplitude_mag": Column(
        "peak to peak of a sine of the same scatter", "mag", "src.var.amplitude"
    ),
    "amplitude_error_mag": Column("standard error of amplitude_mag", "mag", "stat.error"),
    "scatter_mag": Column("robust scatter", "mag", "stat.stdev;phot.mag"),
    "seeing_share": Column("share of the variance that follows the seeing", "", ""),
    "measurements": Column("number of measurements", "", "meta.number"),
    "aperture": Column("number of the aperture", "", "meta.code"),
    "check_star": Column("number of the check star", "", "meta.id.assoc"),
    "period_d": Column("period; NaN: none sought or found", "d", "time.period"),
    "period_error_d": Column("standard error of period_d, if the peak is right", "d", "stat.error"),
    "period_false_alarm": Column("probability of such a peak in noise", "", ""),
    "period_terms": Column("harmonics of the fitted curve; 0: no period", "", "meta.number"),
    "period_amplitude_mag": Column("peak to peak of the fitted curve", "mag", "src.var.amplitude"),
    "period_aliases_d": Column("other periods that fit nearly as well, with their kind", "", ""),
}
"""Columns of the table of stars, one row a star."""


def curve_columns(
    series: FluxSeries, curves: LightCurves, variability: Variability, bjd: np.ndarray, star: int
) -> dict[str, np.ndarray]:
    """Return the light curve of one star as the columns of `CURVE_COLUMNS`.

    Parameters
    ----------
    series : FluxSeries
    curves : LightCurves
    variability : Variability
    bjd : numpy.ndarray
        ``(n_subs,)``: BJD(TDB) of the star.
    star : int
        Number of the star.

    Returns
    -------
    dict
        Columns of the subs in which the star was measured.
    """
    check = int(curves.check_star[star])
    columns = {
        "jd_utc": series.time_jd,
        "bjd_tdb": bjd,
        "magnitude": series.magnitude[star] + curves.magnitude[:, star],
        "magnitude_error": curves.magnitude_error[:, star],
        "relative_flux": curves.relative[:, star],
        "relative_error": curves.error[:, star],
        "limit_mag": MAG_ERROR * curves.limit[:, star],
        "check_magnitude": series.magnitude[check] + curves.magnitude[:, check],
        "airmass": series.airmass,
        "fwhm_px": series.fwhm_px,
        "exposure_s": series.exposure_s,
        "outlier": variability.outlier[:, star],
    }
    measured = np.isfinite(curves.relative[:, star])
    return {name: values[measured] for name, values in columns.items()}


def star_columns(
    series: FluxSeries,
    curves: LightCurves,
    variability: Variability,
    sky: tuple[np.ndarray, np.ndarray],
    periods: Mapping[int, Period],
) -> dict[str, np.ndarray]:
    """Return all stars, the most significant first, as the columns of `STAR_COLUMNS`.

    Parameters
    ----------
    series : FluxSeries
    curves : LightCurves
    variability : Variability
    sky : tuple of numpy.ndarray
        Right ascensions and declinations, ``(n_stars,)``, degrees; NaN without a solution.
    periods : mapping
        Periods by the number of their star.

    Returns
    -------
    dict
    """
    order = np.argsort(variability.rank)
    found = [periods.get(star) for star in order.tolist()]

    def of_period(name: str, missing: float) -> np.ndarray:
        return np.array([missing if one is None else getattr(one, name) for one in found])

    columns = {
        "rank": variability.rank,
        "star": np.arange(series.n_stars),
        "ra_deg": sky[0],
        "dec_deg": sky[1],
        "magnitude": series.magnitude,
        "variable": variability.variable,
        "reason": np.array(TESTS)[variability.reason],
        "log10_p": variability.log_p_any / np.log(10.0),
        "false_discovery": variability.false_discovery,
        "false_alarm": variability.false_alarm,
        "chi_square": variability.chi_square,
        "stetson_j": variability.stetson_j,
        "amplitude_mag": variability.amplitude_mag,
        "amplitude_error_mag": variability.amplitude_error_mag,
        "scatter_mag": curves.scatter,
        "seeing_share": variability.seeing_share,
        "measurements": np.isfinite(curves.relative).sum(axis=0),
        "aperture": curves.aperture,
        "check_star": curves.check_star,
    }
    return {name: values[order] for name, values in columns.items()} | {
        "period_d": of_period("period_d", np.nan),
        "period_error_d": of_period("error_d", np.nan),
        "period_false_alarm": of_period("false_alarm", np.nan),
        "period_terms": of_period("terms", 0).astype(int),
        "period_amplitude_mag": of_period("amplitude_mag", np.nan),
        "period_aliases_d": np.array([_aliases(one) for one in found]),
    }


def _aliases(period: Period | None) -> str:
    """Return the aliases of a period as text, ``0.5012 (f + 1/d); ...``."""
    if period is None:
        return ""
    return "; ".join(f"{one.period_d:.6g} ({one.name})" for one in period.aliases)


def table_writer(ending: str) -> Callable[..., bytes]:
    """Return what writes a table, by the ending of its file.

    Parameters
    ----------
    ending : str
        ``ecsv`` or ``vot``.

    Returns
    -------
    callable
        Takes columns, their descriptions and facts about the table; returns the file's bytes.
    """
    return {"ecsv": _ecsv, "vot": _votable}[ending]


def _ecsv(
    columns: Mapping[str, Any], described: Mapping[str, Column], facts: Mapping[str, str]
) -> bytes:
    text = io.StringIO()
    _table(columns, described, facts).write(text, format="ascii.ecsv")
    return text.getvalue().encode()


def _votable(
    columns: Mapping[str, Any], described: Mapping[str, Column], facts: Mapping[str, str]
) -> bytes:
    from astropy.io.votable import from_table
    from astropy.io.votable.tree import Info

    table = _table(columns, described, {})
    votable = from_table(table, table_id="light_curves")
    one = votable.get_first_table()
    one.description = facts.get("title")
    for field in one.fields:
        field.ucd = described[field.name].ucd or None
    votable.infos.extend(Info(name=name, value=str(value)) for name, value in facts.items())
    content = io.BytesIO()
    votable.to_xml(content, tabledata_format="tabledata")
    return content.getvalue()


def _table(columns: Mapping[str, Any], described: Mapping[str, Column], facts: Mapping[str, str]):
    from astropy.table import Table

    unknown = sorted(set(columns) - set(described))
    if unknown:
        msg = f"no description of the columns {', '.join(unknown)}"
        raise ValueError(msg)
    # In the order of the descriptions; a table may lack columns, a time scale for instance.
    named = {name: np.asarray(columns[name]) for name in described if name in columns}
    table = Table(named, meta=dict(facts))
    for name in named:
        table[name].description = described[name].what
        table[name].unit = described[name].unit or None
    return table
