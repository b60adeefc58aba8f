"""Tables of light curves and of variable stars, as ECSV and VOTable."""

import io
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np


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
