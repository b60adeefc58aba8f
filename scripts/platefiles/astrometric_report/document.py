"""ADES documents of observations: their elements in order, with as many digits as errors allow."""

import math
import textwrap
from collections.abc import Sequence
from xml.etree.ElementTree import Element, SubElement

from platefiles.astrometric_report import decimals as digits
from platefiles.astrometric_report import structure
from platefiles.astrometric_report.observations import Observation, ReportHeader, Telescope

_LINE_WIDTH = 100
_UNKNOWN_MAGNITUDE_ERROR = 0.5
_WHOLE_SECONDS_FROM = 10.0
_DEFAULT_RATE = 0.5
_SECONDS_PER_MINUTE = 60.0


def document_of(header: ReportHeader, observations: Sequence[Observation]) -> Element:
    """Return the document of a report; `validation.problems` tells whether it is complete."""
    root = Element("ades", version=structure.VERSION)
    block = SubElement(root, "obsBlock")
    _add_header(SubElement(block, "obsContext"), header)
    data = SubElement(block, "obsData")
    for one in observations:
        _add(data, "optical", _ordered(observation_texts(header.station, one)))
    return root


def observation_texts(station: str, one: Observation) -> dict[str, str]:
    """Return the elements of an observation as texts; '' for one that is not reported."""
    texts = {
        "permID": one.permanent,
        "provID": "" if one.permanent else one.provisional,
        "trkSub": one.track,
        "mode": one.mode,
        "stn": station,
        "obsTime": digits.time_text(one.utc_jd, _time_error(one)),
        "astCat": one.ast_cat,
        "notes": one.notes,
        "remarks": one.remarks,
        "nStars": "" if one.stars is None else str(one.stars),
        "logSNR": f"{math.log10(one.snr):.2f}" if one.snr else "",
        "exp": _exposure(one.exposure_s),
        "rmsTime": _error(one.rms_time_s, 8),
        "uncTime": _error(one.clock_error_s, 8),
        "seeing": _error(one.seeing_arcsec, 6),
        "rmsFit": _error(one.rms_fit_arcsec, 6),
    }
    return texts | _place(one) | _photometry(one)


def _place(one: Observation) -> dict[str, str]:
    correlation = one.rms_correlation
    narrow = digits.narrow_sigma(one.rms_ra, one.rms_dec, correlation) if correlation else None
    return {
        "ra": digits.right_ascension_text(one.ra_deg, narrow or one.rms_ra, one.dec_deg),
        "dec": digits.declination_text(one.dec_deg, narrow or one.rms_dec),
        "rmsRA": _error(one.rms_ra, 7),
        "rmsDec": _error(one.rms_dec, 7),
        "rmsCorr": "" if correlation is None else f"{min(max(correlation, -0.99), 0.99):.2f}",
    }


def _photometry(one: Observation) -> dict[str, str]:
    if one.magnitude is None:
        return {}
    error = one.rms_magnitude
    places = digits.decimals(error or _UNKNOWN_MAGNITUDE_ERROR, 4)
    return {
        "mag": f"{one.magnitude:.{places}f}",
        "rmsMag": _error(error, 6),
        "band": one.band,
        "photCat": one.phot_cat,
        "photAp": _error(one.aperture_arcsec, 6),
    }


def _time_error(one: Observation) -> float:
    """Return the error of the time that matters: in it, the body moves by the error of its place.

    Where the clock is known to be worse, its error counts.
    """
    rate = max(one.rate if one.rate is not None else _DEFAULT_RATE, 1e-6)
    needed = min(one.rms_ra, one.rms_dec) / rate * _SECONDS_PER_MINUTE
    return max(min(needed, 1.0), one.rms_time_s or 0.0)


def _error(value: float | None, width: int) -> str:
    return "" if value is None or not value > 0 else digits.uncertainty_text(value, width)


def _exposure(seconds: float | None) -> str:
    """Return an exposure: whole seconds, except for short ones."""
    if seconds is None or not seconds > 0:
        return ""
    if seconds >= _WHOLE_SECONDS_FROM:
        return f"{seconds:.0f}"
    return digits.uncertainty_text(seconds, 6)


def _add_header(context: Element, header: ReportHeader) -> None:
    submitter = header.submitter or next(iter(header.observers), "")
    parts = {
        "observatory": [("mpcCode", header.station), ("name", header.observatory)],
        "submitter": [("name", submitter), ("institution", header.institution)],
        "observers": [("name", one) for one in header.observers],
        "measurers": [("name", one) for one in header.measurers or header.observers],
        "telescope": _telescope(header.telescope),
        "software": list(header.software),
        "comment": [("line", part) for one in header.comment for part in _wrapped(one)],
    }
    for tag in structure.CONTEXT_ORDER:
        children = [(name, text) for name, text in parts.get(tag, []) if text]
        if children:
            _add(context, tag, children)


def _telescope(one: Telescope | None) -> list[tuple[str, str]]:
    if one is None:
        return []
    return [
        ("name", one.name),
        ("design", one.design),
        ("aperture", f"{one.aperture_m:.4g}" if one.aperture_m > 0 else ""),
        ("detector", one.detector),
        ("fRatio", f"{one.focal_ratio:.4g}" if one.focal_ratio else ""),
        ("filter", one.filter_name),
        ("arraySize", one.array_size),
        ("pixelScale", f"{one.pixel_scale:.4g}" if one.pixel_scale else ""),
    ]


def _wrapped(text: str) -> list[str]:
    return textwrap.wrap(text.replace("|", "/"), _LINE_WIDTH)


def _ordered(texts: dict[str, str]) -> list[tuple[str, str]]:
    return [(name, texts[name]) for name in structure.order("optical") if texts.get(name)]


def _add(parent: Element, tag: str, children: list[tuple[str, str]]) -> None:
    element = SubElement(parent, tag)
    for name, text in children:
        SubElement(element, name).text = text
