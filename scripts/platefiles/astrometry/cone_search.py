"""Fetch the stars of a field once from an archive, and store them beside the project file.

The key ``catalogue`` names a published catalogue (`platefiles.config.star_archives`), asked for by
TAP; ``cone_search`` gives the URL of any IVOA Simple Cone Search 1.03. One query serves a field.
The table that is kept has the columns that are used and no others, in one order and rounded, so
that equal stars give equal bytes.
"""

import functools
import io
import math
import os
import re
import sys
import warnings
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from urllib.parse import urlencode, urlparse

import numpy as np

from platefiles.astrometry.archive_answers import NoStars, Stars, fetch, read_answer
from platefiles.astrometry.header_wcs import HeaderMap, header_map
from platefiles.astrometry.pointing_hint import POINTING_DEG, locate_field
from platefiles.astrometry.star_catalogue import MOST_STARS, read_tycho
from platefiles.config.project import LoadedProject
from platefiles.config.star_archives import CATALOGUES, PublishedCatalogue, Service, adql
from platefiles.core.atomic_write import write_whole
from platefiles.fits.header_reader import HeaderError
from platefiles.frames.dialects import Facts, read_facts
from platefiles.frames.fixed_header import fixes_for
from platefiles.frames.frame import Frame
from platefiles.raw_folders.scan import RawFile
from platefiles.raw_frames.raw_header import read_raw_header
from platelib.astrometry.celestial import separation_deg

Cone = tuple[float, float, float]
"""Right ascension, declination and radius, degrees."""

_MOST_ROWS = 10_000
_LEAST_RADIUS_DEG, _LARGEST_RADIUS_DEG = 0.1, 5.0
_UNKNOWN_SCALE_ARCSEC = 2.0
_COUNTED_MAG, _LEAST_COUNTED_DEG = 11.0, 1.0
_POLE_GROWTH, _PLANE_GROWTH, _PLANE_DEG = 0.28, 0.17, 20.0
_GALACTIC_POLE = (192.859, 27.128)
"""Right ascension and declination of the north pole, degrees (ESA 1997, Hipparcos, 1.5.3)."""
_LARGEST_ALL = 1.5
"""Degrees: cone searches give all stars, which are too many in a larger circle."""
_ASKED: set[Path] = set()
"""What this process, or the one that it was forked from, has tried to fetch."""
_SILENT: set[str] = set()
"""Services that gave this process nothing; they are asked last."""
_CONE = re.compile(rb'<INFO[^>]*name="CONE"[^>]*value="([^" ]+) ([^" ]+) ([^" ]+)"')
_HEAD_BYTES = 4096


@dataclass(frozen=True)
class Fetched:
    """The outcome of fetching the stars of a project.

    Attributes
    ----------
    state : str
        ``kept``, ``fetched``, ``failed`` or ``none`` (the project wants none).
    text : str
        A line about the outcome, without the name of the project.
    """

    state: str
    text: str


def fetch_stars(loaded: LoadedProject, raw: Sequence[RawFile], frames: Sequence[Frame]) -> None:
    """Fetch the stars of a project from an archive, unless they are kept already.

    If no archive can be reached, the outcome says so in one sentence and Tycho-2 is used.

    Parameters
    ----------
    loaded : LoadedProject
    raw : sequence of RawFile
        Its raw files, with their headers.
    frames : sequence of Frame
        Its list of frames.
    """
    path = loaded.fetched_star_path()
    if path is None or path in _ASKED:
        return
    _ASKED.add(path)
    came = stars_of(loaded, raw, frames)
    if came.state == "failed":
        serves = "the stars stored before are" if path.exists() else "Tycho-2 is"
        msg = f"{loaded.name}: no stars were fetched: {came.text}; {serves} used until they are"
        print(msg, file=sys.stderr, flush=True)
    elif came.state == "fetched":
        print(f"{loaded.name}: {came.text}", flush=True)


def stars_of(
    loaded: LoadedProject,
    raw: Sequence[RawFile],
    frames: Sequence[Frame],
    catalogue: str | None = None,
    again: bool = False,
) -> Fetched:
    """Fetch the stars of a field and keep them beside the project file.

    Parameters
    ----------
    loaded, raw, frames
        As for `fetch_stars`.
    catalogue : str, optional
        Name of a published catalogue to fetch for a project that names none.
    again : bool
        Fetch the stars even if they are kept already.
    """
    path = loaded.fetched_star_path(catalogue)
    if path is None:
        return Fetched("none", "")
    cone = _cone(loaded, raw, frames)
    if path.exists() and not again and (cone is None or _holds(path, cone)):
        return Fetched("kept", f"stars are stored in {path.name}")
    if cone is None:
        why = "give ra_deg and dec_deg under `sky`: no header gives the position of the field"
        return Fetched("failed", why)
    named = loaded.project.sky.published or CATALOGUES.get(catalogue or "")
    try:
        if named is None:
            assert loaded.project.sky.cone_search is not None
            stars, source = _searched(loaded.project.sky.cone_search, cone.asked), ""
        else:
            stars, source = _published(named, cone.asked)
    except NoStars as why_not:
        return Fetched("failed", str(why_not))
    write_whole(path, lambda target: target.write(_votable(stars, cone.asked)))
    title = f" of {named.title}" if named else ""
    text = f"{len(stars)} stars{title} fetched{source}, stored in {path.name}"
    return Fetched("fetched", text)


@dataclass(frozen=True)
class _Field:
    """A circle certain to contain the field, and the circle of the field at its likely position."""

    asked: Cone
    half_deg: float


def _cone(loaded: LoadedProject, raw: Sequence[RawFile], frames: Sequence[Frame]) -> _Field | None:
    """Return the position of the field from the first light that records it."""
    lights = {frame.path: frame.name for frame in frames if frame.role == "light"}
    sky = loaded.project.sky
    equipment = loaded.equipment.model_dump(exclude_none=True)
    for file in raw:
        if file.path not in lights:
            continue
        place = locate_field(_facts(file, lights[file.path], loaded), sky, equipment)
        ra, dec, scales = place.ra, place.dec, place.scales_arcsec
        world = _world(file)
        if world is not None and not place.place_is_stated:
            middle = world.sky_map.sky((file.width_px - 1) / 2, (file.height_px - 1) / 2)
            ra, dec = float(middle[0]), float(middle[1])
        if world is not None and not place.scale_is_stated:
            scales = (world.sky_map.scale_arcsec,)
        if ra is None or dec is None:
            continue
        scale = max(scales, default=_UNKNOWN_SCALE_ARCSEC)
        half = float(np.hypot(file.width_px, file.height_px)) / 2 * scale / 3600
        radius = min(max(1.2 * half + POINTING_DEG / 2, _LEAST_RADIUS_DEG), _LARGEST_RADIUS_DEG)
        return _Field((ra, dec, round(radius, 3)), half)
    return None


def _facts(file: RawFile, name: str, loaded: LoadedProject) -> Facts:
    fixes = fixes_for((file.inside, file.name, name), loaded.project.header_fixes)
    return read_facts(file.header, file.inside, Path(file.folder).name, fixes)


def _world(file: RawFile) -> HeaderMap | None:
    """Return the world coordinates of a raw frame on disk; the scan does not keep them."""
    if "CTYPE1" not in file.header:
        return None
    try:
        with open(file.path, "rb") as stream:
            cards = read_raw_header(stream, os.fstat(stream.fileno()).st_size).cards
    except (OSError, HeaderError):
        return None
    return header_map(cards, (file.height_px, file.width_px))


def _holds(path: Path, field: _Field) -> bool:
    """Return whether a kept table covers a field; one without a circle is the user's and counts."""
    try:
        with open(path, "rb") as file:
            found = _CONE.search(file.read(_HEAD_BYTES))
    except OSError:
        return True
    if found is None:
        return True
    ra, dec, radius = (float(number) for number in found.groups())
    away = float(separation_deg(ra, dec, *field.asked[:2]))
    return away + min(field.half_deg, 0.9 * radius) <= radius


def _published(named: PublishedCatalogue, cone: Cone) -> tuple[Stars, str]:
    """Query the services of a catalogue in turn, those that failed before last."""
    faintest = min(_faintest(cone), named.faintest)
    reasons: dict[str, list[str]] = {}
    services = [one for one in named.services if not one.is_cone_search or cone[2] <= _LARGEST_ALL]
    for service in sorted(services, key=lambda one: one.url in _SILENT):
        try:
            body = _asked(service, named, cone, faintest)
            columns = {named.brightness: service.columns[named.brightness], **service.columns}
            stars = read_answer(body, columns, cone, _MOST_ROWS)
        except NoStars as why:
            _SILENT.add(service.url)
            reasons.setdefault(str(why), []).append(service.archive)
            continue
        epoch = np.full(len(stars), named.epoch)
        return Stars(
            {**stars.columns, "ref_epoch": epoch}, stars.is_cut
        ), f" from {service.archive}"
    told = "; ".join(f"{', '.join(archives)}: {why}" for why, archives in reasons.items())
    msg = f"no archive gives {named.title} ({told})"
    raise NoStars(msg)


def _asked(service: Service, named: PublishedCatalogue, cone: Cone, faintest: float) -> bytes:
    if service.is_cone_search:
        return fetch(_cone_url(service.url, cone))
    form = _form(service, named, cone, faintest)
    return fetch(f"{service.url.rstrip('/')}/sync", form)


def _form(
    service: Service, named: PublishedCatalogue, cone: Cone, faintest: float
) -> dict[str, str]:
    """Return the fields of a TAP query (TAP 1.1, section 2.7)."""
    return {
        "REQUEST": "doQuery",
        "LANG": "ADQL",
        "FORMAT": "votable",
        "MAXREC": str(_MOST_ROWS + 1),
        "QUERY": adql(service, named.brightness, cone, faintest, _MOST_ROWS),
    }


@functools.lru_cache(maxsize=32)
def _faintest(cone: Cone) -> float:
    """Return a magnitude limit with enough stars in the circle, so that no archive sorts millions.

    The estimate extrapolates the count of Tycho-2 stars. Beyond magnitude 11 the count grows by a
    factor of 10**0.28 per magnitude at the galactic poles and 10**0.45 in the plane (from memory of
    star counts; where it grows less, the circle holds somewhat fewer stars than the limit of the
    query).
    """
    radius = max(cone[2], _LEAST_COUNTED_DEG)
    tycho = read_tycho(cone[0], cone[1], radius, 2000.0)
    counted = int((tycho.brightness < _COUNTED_MAG).sum())
    inside = max(counted * (cone[2] / radius) ** 2, 1.0)
    latitude = 90.0 - float(separation_deg(*_GALACTIC_POLE, cone[0], cone[1]))
    growth = _POLE_GROWTH + _PLANE_GROWTH * math.exp(-abs(latitude) / _PLANE_DEG)
    return round(_COUNTED_MAG + max(0.0, math.log10(_MOST_ROWS / inside) / growth), 2)


def _searched(url: str, cone: Cone) -> Stars:
    """Query the user's cone search for all stars in a circle."""
    try:
        stars = read_answer(fetch(_cone_url(url, cone)), None, cone, MOST_STARS)
    except NoStars as why:
        msg = f"{url} does not answer as a cone search ({why})"
        raise NoStars(msg) from why
    return stars


def _cone_url(url: str, cone: Cone) -> str:
    """Return the URL of a query (Simple Cone Search 1.03, section 2.1)."""
    ra, dec, radius = cone
    query = urlencode({"RA": f"{ra:.6f}", "DEC": f"{dec:.6f}", "SR": f"{radius:g}", "VERB": 3})
    joint = "" if url.endswith(("?", "&")) else "&" if urlparse(url).query else "?"
    return f"{url}{joint}{query}"


def _votable(stars: Stars, cone: Cone) -> bytes:
    """Return stars as a VOTable; its ``CONE`` parameter is the circle of the query."""
    from astropy.io.votable import from_table
    from astropy.io.votable.tree import Info
    from astropy.table import Table

    names = [name for name in ("source_id", "ra", "dec") if name in stars.columns]
    names += [name for name in stars.columns if name not in names]
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        document = from_table(Table({name: stars.columns[name] for name in names}))
        circle = " ".join(f"{number:.6f}" for number in cone)
        document.resources[0].infos.append(Info(name="CONE", value=circle))
        buffer = io.BytesIO()
        document.to_xml(buffer)
    return buffer.getvalue()
