"""Solve the astrometry of a project's grid, or give the reason for failure and the remedies."""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from platefiles.astrometry.header_wcs import HeaderMap
from platefiles.astrometry.pointing_hint import POINTING_DEG, SCALE_TOLERANCE, Location
from platelib.astrometry.catalogue_stars import CatalogueStars
from platelib.astrometry.celestial import separation_deg
from platelib.astrometry.plate_solve import (
    FEWEST_STARS,
    FieldStars,
    Hint,
    Placed,
    Placer,
    refined,
)
from platelib.astrometry.solution_check import SEEN, Agreement, agreement, shifted
from platelib.astrometry.tan_sip import SkyMap

StarsNear = Callable[[float, float, float], CatalogueStars]
"""Stars of the catalogue within so many degrees of a place, brightest first."""

_HEADER_REACH_PX = 12.0
_HEADER_AGREES_PX = 1.0
_AMPLE = 12
_LEAST_SCALE, _LARGEST_SCALE = 0.001, 3600.0


@dataclass(frozen=True)
class Outcome:
    """The outcome of the astrometry of a field.

    Attributes
    ----------
    sky_map : SkyMap or None
        None if the field was refused.
    source : str
        ``stars``, ``header`` or empty.
    sentence : str
        Reason of the refusal and the remedy; empty if the field was placed.
    note : str
        Remark on a field that was placed.
    placed : Placed or None
        The accepted match.
    """

    sky_map: SkyMap | None
    source: str
    sentence: str = ""
    note: str = ""
    placed: Placed | None = None


@dataclass(frozen=True)
class Field:
    """The grid to be placed.

    Attributes
    ----------
    name : str
        File of the reference sub.
    stars : FieldStars
        Detections shaped like stars, including saturated ones, brightest first.
    every : FieldStars
        All detections, brightest first.
    shape : tuple of int
        ``(ny, nx)``.
    catalogue : str
        Name of the catalogue in sentences.
    deeper : str
        How to get a deeper catalogue, or empty.
    """

    name: str
    stars: FieldStars
    every: FieldStars
    shape: tuple[int, int]
    catalogue: str
    deeper: str = ""


def place_field(
    field: Field, location: Location, header: HeaderMap | None, near: StarsNear
) -> Outcome:
    """Place a field by the world coordinates of its header, or by its stars.

    The header is used unless the project file or the stars contradict it. Too few stars to check it
    are no contradiction.

    Parameters
    ----------
    field : Field
    location : Location
    header : HeaderMap or None
    near : callable
        Returns stars of the catalogue.
    """
    if header is None:
        return _by_stars(field, [location], near)
    given = _header_location(header.sky_map, field.shape)
    other = _completed(location, given)
    against = _ruled_out(header.sky_map, location, field.shape)
    if against:
        return _without_header(field, [other], given, near, against)
    believed, agreed = _by_header(field, header, near)
    if believed.placed is not None:
        return believed
    if not agreed.is_contradicted:
        by_stars = _by_stars(field, [given, other], near)
        if by_stars.sky_map is None or not _differ(by_stars.sky_map, header.sky_map, field.shape):
            return believed
        against = _ANSWERED
    else:
        shifted_map = _shifted(field, header, near)
        if shifted_map is not None:
            return shifted_map
        against = (
            f"{agreed.matched} of {agreed.expected} bright stars of {field.catalogue} are at "
            f"the predicted positions, expected about {SEEN * agreed.expected:.0f}"
        )
    return _without_header(field, [given, other], given, near, against)


_ANSWERED = "a match of many stars puts the field elsewhere"


def _header_location(sky_map: SkyMap, shape: tuple[int, int]) -> Location:
    return Location(*_middle(sky_map, shape), (sky_map.scale_arcsec,), None, None, 0.0)


def _middle(sky_map: SkyMap, shape: tuple[int, int]) -> tuple[float, float]:
    ra, dec = sky_map.sky((shape[1] - 1) / 2, (shape[0] - 1) / 2)
    return float(ra), float(dec)


def _completed(location: Location, given: Location) -> Location:
    """Return the location with its gaps filled from the header's world coordinates."""
    ra, dec = (given.ra, given.dec) if location.ra is None else (location.ra, location.dec)
    return replace(
        location, ra=ra, dec=dec, scales_arcsec=location.scales_arcsec or given.scales_arcsec
    )


def _ruled_out(sky_map: SkyMap, location: Location, shape: tuple[int, int]) -> str:
    """Return the reason why a header's coordinates are impossible, or an empty text."""
    scale = sky_map.scale_arcsec
    if not _LEAST_SCALE <= scale <= _LARGEST_SCALE:
        return "no camera has such pixels"
    if location.scale_is_stated:
        stated = location.scales_arcsec[0]
        if abs(math.log(scale / stated)) > math.log1p(SCALE_TOLERANCE):
            return f'the project file gives a scale of {stated:.3g}" a pixel'
    if location.place_is_stated and location.ra is not None and location.dec is not None:
        away = float(separation_deg(*_middle(sky_map, shape), location.ra, location.dec))
        if away > POINTING_DEG + math.hypot(*shape) / 2 * scale / 3600:
            return f"the project file puts the field {away:.3g} degrees away from there"
    return ""


def _by_header(field: Field, header: HeaderMap, near: StarsNear) -> tuple[Outcome, Agreement]:
    """Compare the header with the stars; without a match beyond chance, return it unchanged."""
    sky_map, shape = header.sky_map, field.shape
    half = math.hypot(*shape) / 2 * sky_map.scale_arcsec / 3600
    stars = near(*_middle(sky_map, shape), 1.1 * half)
    agreed = agreement(sky_map, field.every, stars, shape)
    note = _read_texts(header)
    placed = refined(sky_map, field.stars, stars, shape, _HEADER_REACH_PX, 1)
    if placed is not None and placed.is_certain:
        miss = float(np.median(_misses(sky_map, field.stars, stars, placed)))
        if miss <= _HEADER_AGREES_PX:
            count = len(placed.field_index)
            told = f"{count} of {placed.expected} stars of {field.catalogue} agree with the header"
            return Outcome(sky_map, "header", note=f"{note}{told}", placed=placed), agreed
        note = f"{note}the header was off by {miss:.1f} px; stars give the position"
        return Outcome(placed.sky_map, "stars", note=note, placed=placed), agreed
    return Outcome(sky_map, "header", note=f"{note}{_told(agreed, field)}"), agreed


def _told(agreed: Agreement, field: Field) -> str:
    if not agreed.expected:
        return f"no bright star of {field.catalogue} is in the field to check the header by"
    told = (
        f"{agreed.matched} of {agreed.expected} bright stars of {field.catalogue} agree with the "
        "header"
    )
    within = f" within {agreed.miss_px:.1f} px" if agreed.matched else ""
    return f"{told}{within}: too few to check it"


def _misses(
    sky_map: SkyMap, field: FieldStars, stars: CatalogueStars, placed: Placed
) -> np.ndarray:
    """Return the distances of a match's stars from their positions in a map, in pixels."""
    j = placed.catalogue_index
    x, y = sky_map.pixels(stars.ra[j], stars.dec[j])
    return np.hypot(*(np.stack([x, y], axis=1) - field.xy[placed.field_index]).T)


def _read_texts(header: HeaderMap) -> str:
    if not header.texts:
        return ""
    count = len(header.texts)
    return f"{count} world coordinates of the header were texts and were read as numbers; "


def _shifted(field: Field, header: HeaderMap, near: StarsNear) -> Outcome | None:
    """Correct the position of a header by a few stars; keep its scale and rotation."""
    sky_map, shape = header.sky_map, field.shape
    radius_px = min(math.hypot(*shape) / 2, POINTING_DEG * 3600 / sky_map.scale_arcsec)
    reach = (math.hypot(*shape) / 2 + radius_px) * sky_map.scale_arcsec / 3600
    stars = near(*_middle(sky_map, shape), 1.1 * reach)
    moved = shifted(sky_map, field.stars, stars, shape, radius_px)
    if moved is None:
        return None
    x, y = moved.sky_map.pixels(*_middle(sky_map, shape))
    off = math.hypot(float(x) - (shape[1] - 1) / 2, float(y) - (shape[0] - 1) / 2)
    note = f"{_read_texts(header)}the header was off by {off:.0f} px; stars give the position"
    better = refined(moved.sky_map, field.stars, stars, shape, _HEADER_REACH_PX, moved.trials)
    placed = better if better is not None and better.is_certain else moved
    return Outcome(placed.sky_map, "stars", note=note, placed=placed)


def _differ(one: SkyMap, other: SkyMap, shape: tuple[int, int]) -> bool:
    """Return whether two maps differ at any corner."""
    x, y = np.array([0.0, shape[1] - 1] * 2), np.repeat([0.0, shape[0] - 1], 2)
    there_x, there_y = other.pixels(*one.sky(x, y))
    near = np.hypot(there_x - x, there_y - y) <= _HEADER_AGREES_PX
    return not bool(near.all())


def _without_header(
    field: Field, locations: Sequence[Location], given: Location, near: StarsNear, against: str
) -> Outcome:
    """Place a field by its stars alone, with the reason why its header was not used."""
    outcome = _by_stars(field, locations, near)
    if outcome.sky_map is not None:
        said = "the stars contradict the header and give the position"
        return replace(outcome, note=said)
    told = (
        f"{outcome.sentence}; the header of {field.name} has world coordinates (RA {given.ra:.4f}, "
        f'Dec {given.dec:+.4f}, {given.scales_arcsec[0]:.3g}" a pixel), which were not used: '
        f"{against}"
    )
    return replace(outcome, sentence=told)


def _by_stars(field: Field, locations: Sequence[Location], near: StarsNear) -> Outcome:
    """Place a field by its star patterns, at the first trial position that succeeds."""
    missing = ""
    best: tuple[Placed | None, Hint, int] | None = None
    for location in locations:
        missing = _missing(field, location)
        if missing:
            continue
        assert location.ra is not None and location.dec is not None
        for scale in location.scales_arcsec:
            hint = Hint(location.ra, location.dec, POINTING_DEG, scale, SCALE_TOLERANCE)
            half = math.hypot(*field.shape) / 2 * scale / 3600 * (1 + SCALE_TOLERANCE)
            stars = near(hint.ra, hint.dec, POINTING_DEG + half)
            placed = None
            if len(stars) >= FEWEST_STARS:
                placed = Placer(stars, hint, field.shape).place(field.stars)
            if placed is not None and placed.is_certain:
                return Outcome(placed.sky_map, "stars", placed=placed)
            if best is None or _score(placed) < _score(best[0]):
                best = placed, hint, len(stars)
    if best is None:
        return Outcome(None, "", _refusal(missing))
    return Outcome(None, "", _refusal(_no_match(field, *best)), placed=best[0])


def _score(placed: Placed | None) -> float:
    return 1.0 if placed is None else placed.log_false_alarm


def _missing(field: Field, location: Location) -> str:
    if location.ra is None or location.dec is None:
        return (
            f"neither the header of {field.name} nor the project file gives its position; set "
            "ra_deg and dec_deg under `sky`"
        )
    if not location.scales_arcsec:
        return (
            f"the header of {field.name} lacks focal length or pixel size; set "
            "scale_arcsec under `sky`, or both in an equipment file"
        )
    if len(field.stars.xy) < FEWEST_STARS:
        count = len(field.stars.xy)
        return f"{field.name} shows {count} stars, limit at least {FEWEST_STARS}"
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
        found += f" (at best {agreed} agree, which may be coincidence{odds})"
    tried = (
        f"searched within {hint.radius_deg:g} degrees of RA {hint.ra:.4f}, Dec {hint.dec:+.4f} at "
        f'{hint.scale_arcsec:.3g}" a pixel, 20 % more or less'
    )
    others = "the right scale_arcsec, ra_deg and dec_deg under `sky`"
    helps = [field.deeper, others] if expected < _AMPLE else [others, field.deeper]
    return f"{found}; {tried}; remedies: {', or '.join(filter(None, helps))}"


def _refusal(why: str) -> str:
    return f"the field has no astrometric solution: {why}"
