"""Query an archive for stars, and read its answer.

An answer comes from a stranger: its size, the time it takes and the redirects on its way are
bounded, and of its table only numbers that make sense are kept.
"""

import gzip
import io
import re
import time
import warnings
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from platefiles.core.safe_names import escape
from platefiles.provenance.header_provenance import VERSION
from platelib.astrometry.celestial import separation_deg

_CONNECT_S, _SILENCE_S, _LONGEST_S = 10.0, 60.0, 240.0
_LARGEST_BYTES = 64 << 20
_CHUNK = 1 << 16
_MOST_REDIRECTS = 5
_END = re.compile(rb"</(?:[\w.-]+:)?VOTABLE\s*>\s*$", re.IGNORECASE)
_DIGITS = {"ra": 10, "dec": 10}
_OTHER_DIGITS = 5
_BRIGHTEST, _FAINTEST = -5.0, 30.0
_MARGIN = 1.02
_FEWEST_OF_CUT = 500
_TEXT = 160


class NoStars(Exception):
    """A service returned no stars; the text gives the reason, as the end of a sentence."""


@dataclass(frozen=True)
class Stars:
    """Stars returned by a service, brightest first.

    Attributes
    ----------
    columns : mapping of str to numpy.ndarray
        By platelog's column names, including ``ra`` and ``dec`` in degrees.
    is_cut : bool
        Whether the service truncated the list.
    """

    columns: Mapping[str, np.ndarray]
    is_cut: bool

    def __len__(self) -> int:
        """Count the stars."""
        return len(self.columns["ra"])


def fetch(url: str, form: Mapping[str, str] | None = None) -> bytes:
    """Return the body of a service's response.

    Parameters
    ----------
    url : str
    form : mapping, optional
        Form fields; if given, the request is a POST.

    Raises
    ------
    NoStars
        If the response is missing, too large, too slow or an error.
    """
    import requests  # slow to import
    import urllib3

    start = time.monotonic()
    with requests.Session() as session:
        session.max_redirects = _MOST_REDIRECTS
        session.headers["User-Agent"] = f"platelog/{VERSION}"
        method = "GET" if form is None else "POST"
        try:
            with session.request(
                method, url, data=form, timeout=(_CONNECT_S, _SILENCE_S), stream=True
            ) as answer:
                body = _body(answer.raw, start)
                status = answer.status_code
        except requests.TooManyRedirects as error:
            msg = "it redirects endlessly"
            raise NoStars(msg) from error
        except requests.Timeout as error:
            msg = "it does not answer in time"
            raise NoStars(msg) from error
        except urllib3.exceptions.ReadTimeoutError as error:
            msg = "it does not answer in time"
            raise NoStars(msg) from error
        except urllib3.exceptions.HTTPError as error:
            msg = "its answer was truncated"
            raise NoStars(msg) from error
        except requests.ConnectionError as error:
            msg = "it cannot be reached"
            raise NoStars(msg) from error
        except (requests.RequestException, ValueError) as error:
            raise NoStars(_first_line(error)) from error
    if status != 200:
        told = _error_text(body)
        raise NoStars(f"it answers with HTTP status {status}" + (f": {told}" if told else ""))
    return body


def _body(stream, start: float) -> bytes:
    """Read a response in parts, so that a stalling service is noticed."""
    parts, size = [], 0
    while chunk := stream.read1(_CHUNK, decode_content=True):
        parts.append(chunk)
        size += len(chunk)
        if size > _LARGEST_BYTES:
            msg = f"its answer is larger than {_LARGEST_BYTES >> 20} MB"
            raise NoStars(msg)
        if time.monotonic() - start > _LONGEST_S:
            msg = f"its answer takes longer than {_LONGEST_S:.0f} s"
            raise NoStars(msg)
    return _unpacked(b"".join(parts))


def _unpacked(body: bytes) -> bytes:
    """Decompress gzip, which some services send without declaring it."""
    if not body.startswith(b"\x1f\x8b"):
        return body
    try:
        with gzip.open(io.BytesIO(body)) as packed:
            plain = packed.read(_LARGEST_BYTES + 1)
    except (OSError, EOFError) as error:
        msg = "its answer was truncated"
        raise NoStars(msg) from error
    if len(plain) > _LARGEST_BYTES:
        msg = f"its answer is larger than {_LARGEST_BYTES >> 20} MB"
        raise NoStars(msg)
    return plain


def _error_text(body: bytes) -> str:
    """Return the error message of a VOTable, or an empty text."""
    found = re.search(
        rb"<(?:[\w.-]+:)?INFO[^>]*QUERY_STATUS[^>]*>([^<]*)<", body[:_CHUNK], re.IGNORECASE
    )
    return "" if found is None else _one_line(found[1].decode("utf-8", "replace"))


def _one_line(text: str) -> str:
    return escape(" ".join(text.split()))[:_TEXT]


def _first_line(error: Exception) -> str:
    return _one_line((str(error).splitlines() or [type(error).__name__])[0])


def read_answer(
    body: bytes,
    columns: Mapping[str, str] | None,
    cone: tuple[float, float, float],
    most: int,
) -> Stars:
    """Read the stars of a response.

    Parameters
    ----------
    body : bytes
        A VOTable.
    columns : mapping of str to str or None
        Column names of the table by platelog's names; the first name that begins with ``mag_`` or
        ``phot_`` sorts the stars. None detects the columns (`_own_columns`).
    cone : tuple of float
        Right ascension, declination and radius of the query, degrees.
    most : int
        Largest number of stars; fainter ones are dropped.

    Raises
    ------
    NoStars
        If the body is not a table of stars in that circle.
    """
    table, by_ucd, is_cut = _table(body)
    names = _own_columns(table.colnames, by_ucd) if columns is None else columns
    spelled = {name.lower(): name for name in reversed(table.colnames)}
    found = {}
    for ours, theirs in names.items():
        theirs = spelled.get(theirs.strip('"').lower(), "")
        if theirs and ours == "source_id":
            if np.ma.asarray(table[theirs]).dtype.kind != "f":  # which would round long numbers
                found[ours] = np.asarray(np.ma.filled(table[theirs].astype(str), ""))
        elif theirs:
            values = _numbers(table[theirs])
            if values is not None:
                found[ours] = values
    for ours in ("ra", "dec"):
        if ours not in found:
            msg = f"its table has no column {names.get(ours, ours)} of numbers"
            raise NoStars(msg)
    bands = [name for name in found if name.startswith(("mag_", "phot_")) or columns is None]
    bands = [name for name in bands if "mag" in name.lower()]
    if not bands:
        msg = "its table has no magnitudes"
        raise NoStars(msg)
    for band in bands:
        odd = ~((found[band] > _BRIGHTEST) & (found[band] < _FAINTEST))
        found[band] = np.where(odd, np.nan, found[band])
    if is_cut:
        _check_cut(found, bands[0])
    kept = _kept(found, cone, bands[0])
    stars = {name: column[kept][:most] for name, column in found.items()}
    return Stars(_rounded(stars), is_cut)


def _table(body: bytes) -> tuple[Any, dict[str, str], bool]:
    """Return the table, the names of its main coordinates by UCD, and whether it is truncated."""
    head = body[:4096].lstrip().lower()
    if head.startswith((b"<!doctype html", b"<html")) or b"<html" in head[:1024]:
        msg = "it answers with a web page"
        raise NoStars(msg)
    if b"<!entity" in head:
        msg = "its answer is no plain VOTable"
        raise NoStars(msg)
    if b"votable" not in head:
        msg = "its answer is no VOTable"
        raise NoStars(msg)
    if not _END.search(body[-256:]):
        msg = "its answer was truncated"
        raise NoStars(msg)
    from astropy.io.votable import parse  # slow to import
    from pyvo.dal import DALQueryError, DALResults  # type: ignore[import-untyped]

    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            document = parse(io.BytesIO(body), verify="ignore")
            infos = [*document.infos, *(info for one in document.resources for info in one.infos)]
            error = next((info for info in infos if info.name.lower() == "error"), None)
            if error is not None:
                raise NoStars(f"it says: {_one_line(error.value or error.content or '')}")
            results = DALResults(document)
            table = results.to_table()
            by_ucd = {
                ours: results.fieldname_with_ucd(f"pos.eq.{ours};meta.main") or ""
                for ours in ("ra", "dec")
            }
    except NoStars:
        raise
    except DALQueryError as error:
        raise NoStars(f"it says: {_one_line(str(error.reason))}") from error
    except Exception as error:  # whatever readers of tables think of what is none
        raise NoStars(f"its answer is no valid VOTable ({_first_line(error)})") from error
    status = [str(info.value).upper() for info in infos if info.name.upper() == "QUERY_STATUS"]
    return table, by_ucd, "OVERFLOW" in status


_OWN = (
    "source_id", "ra", "dec", "pmra", "pmdec", "ref_epoch", "phot_g_mean_mag", "phot_bp_mean_mag",
    "phot_rp_mean_mag", "bp_rp",
)  # fmt: skip


def _own_columns(names: list[str], by_ucd: Mapping[str, str]) -> dict[str, str]:
    """Choose the columns to use from a table whose query named no columns."""
    there = {name.lower() for name in names}
    columns = {name: name for name in _OWN if name in there}
    columns |= {
        name: name
        for name in names
        if re.fullmatch(r"(?!e_).*mag", name.lower()) and name.lower() not in columns
    }
    for ours, theirs in by_ucd.items():
        if ours not in columns and theirs:
            columns[ours] = theirs
    return columns


def _numbers(column: Any) -> np.ndarray | None:
    values: Any = np.ma.asarray(column)
    if values.dtype.kind not in "fiu" or values.ndim != 1:
        return None
    return np.asarray(np.ma.filled(values.astype(np.float64), np.nan))


def _check_cut(found: Mapping[str, np.ndarray], band: str) -> None:
    """Refuse a truncated table unless it holds the brightest stars."""
    magnitude = found[band][np.isfinite(found[band])]
    if len(magnitude) < _FEWEST_OF_CUT or (np.diff(magnitude) < 0).any():
        msg = f"it truncates its answer at {len(found[band])} stars"
        raise NoStars(msg)


def _kept(
    found: Mapping[str, np.ndarray], cone: tuple[float, float, float], band: str
) -> np.ndarray:
    """Return the indices of the stars in the circle, brightest first, without duplicates."""
    ra, dec = found["ra"], found["dec"]
    if not len(ra):
        msg = f"it knows no star within {cone[2]:g} degrees of RA {cone[0]:.4f}, Dec {cone[1]:+.4f}"
        raise NoStars(msg)
    good = np.isfinite(ra) & np.isfinite(dec) & (np.abs(dec) <= 90) & np.isfinite(found[band])
    away = np.full(len(ra), np.inf)
    away[good] = separation_deg(cone[0], cone[1], ra[good], dec[good])
    good &= away <= _MARGIN * cone[2]
    if not good.any():
        msg = "none of its stars lies in the circle that was asked for and has a magnitude"
        raise NoStars(msg)
    places = np.char.add(np.char.mod("%.7f ", ra % 360.0), np.char.mod("%.7f", dec))
    identity = found.get("source_id", places)
    identity = np.where(identity == "", places, identity)
    order = np.lexsort((identity, dec, ra, found[band]))
    order = order[good[order]]
    _, first = np.unique(identity[order], return_index=True)
    return np.asarray(order[np.sort(first)])


def _rounded(stars: Mapping[str, np.ndarray]) -> dict[str, np.ndarray]:
    """Round values below their errors, so that all mirrors of a catalogue give equal values."""
    return {
        name: column
        if name == "source_id"
        else np.round(column, _DIGITS.get(name, _OTHER_DIGITS)) + 0.0
        for name, column in stars.items()
    }
