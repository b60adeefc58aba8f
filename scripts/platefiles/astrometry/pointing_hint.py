"""The approximate position of a field on the sky, from settings and headers."""

from collections.abc import Mapping
from dataclasses import dataclass
from math import atan, degrees
from typing import Any

from platefiles.frames.dialects import Facts
from platefiles.settings.field import Pointing

POINTING_DEG = 1.2
"""How far off the pointing may be; a degree is asked for."""
SCALE_TOLERANCE = 0.2
"""Share by which the scale may be off; 15 % are asked for."""


@dataclass(frozen=True)
class Location:
    """Hints on the position of a field.

    Attributes
    ----------
    ra, dec : float or None
        Of the field's centre, degrees.
    scales_arcsec : tuple of float
        Pixel scales in arcsec, the likeliest first.
    latitude_deg, longitude_deg, elevation_m : float or None
        Of the site, east positive.
    place_is_stated, scale_is_stated : bool
        Whether the project file gives the position, and the scale.
    """

    ra: float | None
    dec: float | None
    scales_arcsec: tuple[float, ...]
    latitude_deg: float | None
    longitude_deg: float | None
    elevation_m: float
    place_is_stated: bool = False
    scale_is_stated: bool = False


def locate_field(facts: Facts, sky: Pointing, equipment: Mapping[str, Any]) -> Location:
    """Return the hints of settings and headers; settings override headers.

    Parameters
    ----------
    facts : Facts
        Of the header of the reference sub.
    sky : Pointing
        Of the project.
    equipment : mapping
        Values of the equipment file.
    """
    given = sky.ra_deg is not None
    site = equipment.get("site") or {}
    longitude = site.get("longitude_deg", _longitude(facts))
    return Location(
        sky.ra_deg if given else facts.ra_deg,
        sky.dec_deg if given else facts.dec_deg,
        _scales(facts, sky, equipment),
        site.get("latitude_deg", facts.latitude_deg),
        longitude,
        float(site.get("elevation_m", 0.0)),
        given,
        sky.scale_arcsec is not None,
    )


def _scales(facts: Facts, sky: Pointing, equipment: Mapping[str, Any]) -> tuple[float, ...]:
    """Return the possible pixel scales.

    Most programs write the value of a binned pixel into XPIXSZ, PIXSCALE and similar cards, some
    that of a single pixel. The equipment file overrides the header.
    """
    if sky.scale_arcsec is not None:
        return (float(sky.scale_arcsec),)
    binning = int(facts.binning.split("x")[0])
    single_um, known_mm = equipment.get("pixel_size_um"), equipment.get("focal_length_mm")
    by_optics = _scales_of(facts, single_um, known_mm, binning)
    stated = facts.scale_arcsec
    by_card = [stated, stated * binning] if stated else []
    is_known = bool(single_um and known_mm)
    scales = [*by_optics, *by_card] if is_known else [*by_card, *by_optics]
    return tuple(dict.fromkeys(scales))


def _scales_of(
    facts: Facts, single_um: float | None, known_mm: float | None, binning: int
) -> list[float]:
    """Return the pixel scales computed from focal length and pixel size."""
    focal_mm = known_mm or facts.focal_length_mm
    sides = [single_um * binning] if single_um else []
    if not sides and facts.pixel_size_um:
        sides = [facts.pixel_size_um, facts.pixel_size_um * binning]
    if not focal_mm:
        return []
    return [round(3600 * degrees(atan(side * 1e-3 / focal_mm)), 6) for side in sides]


def _longitude(facts: Facts) -> float | None:
    """Return the longitude of the header, with the sign for which the sub is nearer to midnight."""
    value = facts.longitude_deg
    if value is None or facts.longitude_is_east or "T" not in facts.start_utc:
        return value
    hour = float(facts.start_utc[11:13]) + float(facts.start_utc[14:16]) / 60
    east, west = (_from_midnight(hour + sign * value / 15) for sign in (1, -1))
    return -value if west < east else value


def _from_midnight(hour: float) -> float:
    return min(hour % 24, 24 - hour % 24)
