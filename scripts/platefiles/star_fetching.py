"""The stars of a field, fetched once from a VO cone search and kept beside the project.

IVOA Simple Cone Search 1.03. The table that is kept has the columns that are used and no others, so
that equal answers give equal bytes.
"""

import io
import sys
import warnings
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np

from platefiles.field_location import POINTING_DEG, locate_field
from platefiles.frame import Frame
from platefiles.headers import Facts, fixes_for, read_facts
from platefiles.project import LoadedProject
from platefiles.scan import RawFile
from platefiles.slug import escape
from platefiles.wholefile import write_whole

_LEAST_RADIUS_DEG = 0.1
_LARGEST_RADIUS_DEG = 5.0
_SECONDS = (10, 60)
"""To be connected, and to wait for some more of an answer."""
_ASKED: set[Path] = set()
"""What this process, or the one that it was forked from, has tried to fetch."""
_KEPT = (
    "source_id", "ra", "dec", "pmra", "pmdec", "ref_epoch", "phot_g_mean_mag", "phot_bp_mean_mag",
    "phot_rp_mean_mag", "bp_rp",
)  # fmt: skip


def fetch_stars(loaded: LoadedProject, raw: Sequence[RawFile], frames: Sequence[Frame]) -> None:
    """Fetch the stars of a project that names a cone search, unless that was done before.

    A service that cannot be reached holds nothing up: one sentence says so, and Tycho-2 serves.

    Parameters
    ----------
    loaded : LoadedProject
    raw : sequence of RawFile
        Its raw files, with their headers.
    frames : sequence of Frame
        Its frame sheet.
    """
    url, path = loaded.project.sky.cone_search, loaded.star_path
    if url is None or path is None or path.exists() or path in _ASKED:
        return
    _ASKED.add(path)
    cone = _cone(loaded, raw, frames)
    if cone is None:
        _say(loaded, "give ra_deg and dec_deg under `sky`: no header says where the field lies")
        return
    try:
        content = _searched(url, *cone)
    except Exception as error:  # whatever networks, servers and readers of tables come up with
        reason = (str(error).splitlines() or [type(error).__name__])[0][:200]
        _say(loaded, f"{url} does not answer as a cone search ({escape(reason)})")
        return
    write_whole(path, lambda target: target.write(content))


def _say(loaded: LoadedProject, why: str) -> None:
    msg = f"{loaded.name}: no stars were fetched: {why}; Tycho-2 is used until they are"
    print(msg, file=sys.stderr)


def _cone(
    loaded: LoadedProject, raw: Sequence[RawFile], frames: Sequence[Frame]
) -> tuple[float, float, float] | None:
    """Return right ascension, declination and radius that hold the field, wherever it lies."""
    lights = {frame.path: frame for frame in frames if frame.role == "light"}
    sky = loaded.project.sky.model_dump()
    equipment = loaded.equipment.model_dump(exclude_none=True)
    for file in raw:
        if file.path not in lights:
            continue
        place = locate_field(_facts(file, loaded), sky, equipment)
        if place.ra is None or place.dec is None:
            continue
        scale = place.scales_arcsec[0] if place.scales_arcsec else 2.0
        half = np.hypot(file.width_px, file.height_px) / 2 * scale / 3600
        radius = min(max(1.2 * half + POINTING_DEG / 2, _LEAST_RADIUS_DEG), _LARGEST_RADIUS_DEG)
        return place.ra, place.dec, round(float(radius), 3)
    return None


def _facts(file: RawFile, loaded: LoadedProject) -> Facts:
    fixes = fixes_for(file.inside, file.name, loaded.project.header_fixes)
    return read_facts(file.header, file.inside, Path(file.folder).name, fixes)


def _searched(url: str, ra: float, dec: float, radius_deg: float) -> bytes:
    """Return the answer of a service as VOTable, with the columns that are used."""
    import requests
    from astropy.io.votable import from_table
    from astropy.table import Table
    from pyvo.dal import SCSService  # type: ignore[import-untyped]

    session = requests.Session()
    request = session.request
    session.request = lambda *a, **k: request(*a, **{"timeout": _SECONDS, **k})  # type: ignore
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        found = SCSService(url, session=session).search((ra, dec), radius_deg, verbosity=3)
        table: Any = found.to_table()
    if not len(table):
        msg = f"it knows no star within {radius_deg:g} degrees of RA {ra:.4f}, Dec {dec:+.4f}"
        raise ValueError(msg)
    names = {name.lower(): name for name in table.colnames}
    kept = Table({name: table[names[name]] for name in _KEPT if name in names}, copy=True)
    others = [name for name in table.colnames if name.lower().endswith("mag")]
    for name in others:
        if name.lower() not in _KEPT:
            kept[name] = table[name]
    for column in ("ra", "dec"):
        if column not in kept.colnames:
            ucd = found.fieldname_with_ucd(f"pos.eq.{column};meta.main")
            if not ucd:
                msg = f"its table has no column {column}"
                raise ValueError(msg)
            kept[column] = table[ucd]
    kept.meta.clear()
    buffer = io.BytesIO()
    from_table(kept).to_xml(buffer)
    return buffer.getvalue()
