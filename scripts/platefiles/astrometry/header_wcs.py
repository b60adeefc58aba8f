"""World coordinates of a raw frame's header, also from text values."""

import re
import warnings
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from platefiles.fits.header_reader import Value
from platelib.astrometry.fit_wcs import fit_map
from platelib.astrometry.tan_sip import SkyMap

_NUMERIC = re.compile(
    r"(?:CRPIX|CRVAL|CDELT|CROTA)[12]|CD[12]_[12]|PC[12]_[12]|PV[12]_\d{1,2}|(?:A|B|AP|BP)_\d_\d"
    r"|LONPOLE|LATPOLE|EQUINOX"
)
_WHOLE = re.compile(r"(?:A|B|AP|BP)_ORDER|WCSAXES")
_TEXTS = re.compile(r"CTYPE[12]|CUNIT[12]|RADESYS|RADECSYS")
_NUMBER = re.compile(r"\s*[+-]?(?:\d+\.?\d*|\.\d+)(?:[eEdD][+-]?\d+)?\s*")
_STRAIGHT_PX = 0.002
_MAX_DEGREE = 5
_POINTS = 24


@dataclass(frozen=True)
class HeaderMap:
    """The world coordinates of a header.

    Attributes
    ----------
    sky_map : SkyMap
    texts : tuple of str
        Keywords whose values were strings.
    """

    sky_map: SkyMap
    texts: tuple[str, ...]


def header_map(cards: Mapping[str, Value], shape: tuple[int, int]) -> HeaderMap | None:
    """Return the world coordinates of a header; None if it has no valid ones.

    Parameters
    ----------
    cards : mapping
        Value by keyword. Numbers written as strings are converted: as strings they would count as
        missing, and CRVAL as 0.
    shape : tuple of int
        ``(ny, nx)`` of the image.
    """
    values, texts = _numbers(cards)
    if not all(key in values for key in ("CTYPE1", "CTYPE2", "CRVAL1", "CRVAL2")):
        return None
    if "RADECSYS" in values:  # the name of RADESYS before FITS 3.0
        values.setdefault("RADESYS", values.pop("RADECSYS"))
    places = _places(values, shape)
    if places is None:
        return None
    xy, ra, dec = places
    for degree in range(1, _MAX_DEGREE + 1):
        found = fit_map(xy, ra, dec, np.ones(len(xy)), degree, shape)
        x, y = found.pixels(ra, dec)
        if np.hypot(x - xy[:, 0], y - xy[:, 1]).max() < _STRAIGHT_PX:
            return HeaderMap(found, texts)
    return None


def _numbers(cards: Mapping[str, Value]) -> tuple[dict[str, Value], tuple[str, ...]]:
    values: dict[str, Value] = {}
    texts = []
    for key, value in cards.items():
        if _TEXTS.fullmatch(key):
            values[key] = str(value).strip()
        elif _NUMERIC.fullmatch(key) or _WHOLE.fullmatch(key):
            if isinstance(value, str) and _NUMBER.fullmatch(value):
                value = float(value.upper().replace("D", "E"))
                texts.append(key)
            if isinstance(value, int | float) and not isinstance(value, bool):
                values[key] = int(value) if _WHOLE.fullmatch(key) else float(value)
    return values, tuple(texts)


def _places(
    values: Mapping[str, Value], shape: tuple[int, int]
) -> tuple[np.ndarray, np.ndarray, np.ndarray] | None:
    """Return a grid of pixels over the image and their ICRS coordinates, degrees."""
    from astropy.io import fits
    from astropy.wcs import WCS
    from astropy.wcs.utils import wcs_to_celestial_frame

    header = fits.Header()
    for key, value in values.items():
        header[key] = value
    y, x = (p.ravel() for p in np.mgrid[0 : shape[0] - 1 : _POINTS * 1j, 0 : shape[1] - 1 : 24j])
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            wcs = WCS(header, naxis=2)
            if not wcs.has_celestial:
                return None
            lon, lat = wcs.all_pix2world(x, y, 0)
            frame = wcs_to_celestial_frame(wcs)
            if (
                frame.name not in ("icrs", "fk5")
                or frame.name == "fk5"
                and float(frame.equinox.jyear) != 2000.0
            ):
                lon, lat = _as_icrs(lon, lat, frame)
    except Exception:  # whatever a library thinks of a header that makes no sense
        return None
    if not (np.isfinite(lon).all() and np.isfinite(lat).all()):
        return None
    if np.ptp(lat) == 0 and np.ptp(lon) == 0:
        return None
    return np.stack([x, y], axis=1), np.mod(lon, 360.0), lat


def _as_icrs(lon: np.ndarray, lat: np.ndarray, frame) -> tuple[np.ndarray, np.ndarray]:
    from astropy.coordinates import SkyCoord

    places = SkyCoord(lon, lat, unit="deg", frame=frame).icrs
    return np.asarray(places.ra.deg), np.asarray(places.dec.deg)
