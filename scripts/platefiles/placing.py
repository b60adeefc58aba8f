"""A project's grid placed on the sky, or the sentence that says why not and what would help."""

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from platefiles.field_location import POINTING_DEG, SCALE_TOLERANCE, Location
from platefiles.headerwcs import HeaderMap
from platelib.catalogue_stars import CatalogueStars
from platelib.sky_map import SkyMap
from platelib.sky_solution import (
    FEWEST_STARS,
    FieldStars,
    Hint,
    Placed,
    Placer,
    mutual_pairs,
    refined,
)

StarsNear = Callable[[float, float, float], CatalogueStars]
"""Stars of the catalogue within so many degrees of a place, brightest first."""

_HEADER_REACH_PX = 12.0
_HEADER_AGREES_PX = 1.0
_FEW_TO_CONTRADICT = 3
_AMPLE = 12


@dataclass(frozen=True)
class Outcome:
    """What came of placing a field.

    Attributes
    ----------
    sky_map : SkyMap or None
        None where the field was refused.
    source : str
        ``stars``, ``header`` or empty.
    sentence : str
        Why it was refused, and what would help; empty where it was not.
    note : str
        What there is to say of a field that was placed.
    placed : Placed or None
        The match that decided.
    """

    sky_map: SkyMap | None
    source: str
    sentence: str = ""
    note: str = ""
    placed: Placed | None = None


@dataclass(frozen=True)
class Field:
    """The grid as it is to be placed.

    Attributes
    ----------
    name : str
        File of the sub that is the grid.
    stars : FieldStars
    shape : tuple of int
        ``(ny, nx)``.
    catalogue : str
        What the catalogue is called, in sentences.
    """

    name: str
    stars: FieldStars
    shape: tuple[int, int]
    catalogue: str


def place_field(
    field: Field, location: Location, header: HeaderMap | None, near: StarsNear
) -> Outcome:
    """Place a field by the world coordinates of its header if its stars agree, else by its stars.

    Parameters
    ----------
    field : Field
    location : Location
    header : HeaderMap or None
    near : callable
        Gives stars of the catalogue.
    """
    if header is not None:
        outcome = _by_header(field, header, near)
        if outcome is not None:
            return outcome
        middle = _middle(header.sky_map, field.shape)
        location = Location(*middle, (header.sky_map.scale_arcsec,), None, None, 0.0)
    return _by_stars(field, location, near, header is not None)


def _middle(sky_map: SkyMap, shape: tuple[int, int]) -> tuple[float, float]:
    ra, dec = sky_map.sky((shape[1] - 1) / 2, (shape[0] - 1) / 2)
    return float(ra), float(dec)


def _by_header(field: Field, header: HeaderMap, near: StarsNear) -> Outcome | None:
    """Take the header at its word, if stars do not speak against it."""
    sky_map, shape = header.sky_map, field.shape
    half = math.hypot(*shape) / 2 * sky_map.scale_arcsec / 3600
    stars = near(*_middle(sky_map, shape), 1.1 * half)
    expected, matched, miss = agreement(sky_map, field.stars, stars, shape)
    note = _mended(header)
    told = f"{matched} of {expected} stars of {field.catalogue} agree with the header"
    placed = refined(sky_map, field.stars, stars, shape, _HEADER_REACH_PX, 1)
    if placed is not None and placed.is_certain:
        if miss <= _HEADER_AGREES_PX:
            return Outcome(sky_map, "header", note=f"{note}{told}", placed=placed)
        note = f"{note}the header was off by {miss:.1f} px and was mended by stars"
        return Outcome(placed.sky_map, "stars", note=note, placed=placed)
    if matched == 0 and expected >= _FEW_TO_CONTRADICT or expected >= FEWEST_STARS:
        return None
    return Outcome(sky_map, "header", note=f"{note}{told}: too few to check it")


def _mended(header: HeaderMap) -> str:
    if not header.mended:
        return ""
    return f"{len(header.mended)} world coordinates of the header were texts and were mended; "


def agreement(
    sky_map: SkyMap, field: FieldStars, stars: CatalogueStars, shape: tuple[int, int]
) -> tuple[int, int, float]:
    """Compare a map with the stars of a field.

    Returns
    -------
    expected : int
        Stars of the catalogue in the field.
    matched : int
        Those near which the field has a star.
    miss_px : float
        Their median distance, 0 without any.
    """
    x, y = sky_map.pixels(stars.ra, stars.dec)
    inside = (x > 0) & (x < shape[1] - 1) & (y > 0) & (y < shape[0] - 1)
    places = np.stack([x[inside], y[inside]], axis=1)
    i, j = mutual_pairs(places, field.xy, _HEADER_REACH_PX)
    miss = np.hypot(*(places[i] - field.xy[j]).T)
    return int(inside.sum()), len(i), float(np.median(miss)) if len(i) else 0.0


def _by_stars(field: Field, location: Location, near: StarsNear, distrusted: bool) -> Outcome:
    missing = _missing(field, location)
    if missing:
        return Outcome(None, "", _refusal(missing))
    assert location.ra is not None and location.dec is not None
    best: tuple[Placed | None, Hint, int] | None = None
    for scale in location.scales_arcsec:
        hint = Hint(location.ra, location.dec, POINTING_DEG, scale, SCALE_TOLERANCE)
        half = math.hypot(*field.shape) / 2 * scale / 3600 * (1 + SCALE_TOLERANCE)
        stars = near(hint.ra, hint.dec, POINTING_DEG + half)
        placed = None
        if len(stars) >= FEWEST_STARS:
            placed = Placer(stars, hint, field.shape).place(field.stars)
        if placed is not None and placed.is_certain:
            note = "the stars contradict the header and were believed" if distrusted else ""
            return Outcome(placed.sky_map, "stars", note=note, placed=placed)
        if best is None or _score(placed) < _score(best[0]):
            best = placed, hint, len(stars)
    assert best is not None
    return Outcome(None, "", _refusal(_no_match(field, *best)), placed=best[0])


def _score(placed: Placed | None) -> float:
    return 1.0 if placed is None else placed.log_false_alarm


def _missing(field: Field, location: Location) -> str:
    if location.ra is None or location.dec is None:
        return (
            f"neither the header of {field.name} nor the project file says where it lies; give "
            "ra_deg and dec_deg under `sky`"
        )
    if not location.scales_arcsec:
        return (
            f"the header of {field.name} does not tell focal length and pixel size; give "
            "scale_arcsec under `sky`, or both in an equipment file"
        )
    if len(field.stars.xy) < FEWEST_STARS:
        count = len(field.stars.xy)
        return f"{field.name} shows {count} stars, and {FEWEST_STARS} are needed at least"
    return ""


def _no_match(field: Field, placed: Placed | None, hint: Hint, stars: int) -> str:
    sides = [side * hint.scale_arcsec / 60 for side in field.shape[::-1]]
    half = math.hypot(*field.shape) / 2 * hint.scale_arcsec / 3600 * (1 + hint.scale_tolerance)
    area = math.pi * (hint.radius_deg + half) ** 2
    expected = stars * sides[0] * sides[1] / 3600 / area
    size = f"{sides[0]:.1f}' x {sides[1]:.1f}'"
    if expected < _AMPLE:
        found = f"{field.catalogue} has about {expected:.0f} stars in a field of {size}, too few"
    else:
        found = f"the stars match those of {field.catalogue} nowhere"
    if placed is not None:
        odds = "" if placed.log_false_alarm > -0.5 else f", 1 in {10**-placed.log_false_alarm:.0g}"
        agreed = f"{len(placed.field_index)} of {placed.expected}"
        found += f" (at best {agreed} agree, which may be chance{odds})"
    tried = (
        f"looked within {hint.radius_deg:g} degrees of RA {hint.ra:.4f}, Dec {hint.dec:+.4f} at "
        f'{hint.scale_arcsec:.3g}" a pixel, 20 % more or less'
    )
    deeper = "a deeper catalogue (catalogue or cone_search under `sky`)"
    others = "the right scale_arcsec, ra_deg and dec_deg there"
    helps = f"{deeper}, or {others}" if expected < _AMPLE else f"{others}, or {deeper}"
    return f"{found}; {tried}; what would help: {helps}"


def _refusal(why: str) -> str:
    return f"the field is not placed on the sky: {why}"
