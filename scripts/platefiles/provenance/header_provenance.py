"""Header cards on the provenance of a product.

The keywords are documented in one table in scripts/products.md. Nothing here depends on the clock,
on the number of processors or on where the project lies.
"""

import functools
import platform
from collections.abc import Mapping, Sequence
from datetime import datetime, timedelta
from importlib import metadata
from pathlib import Path
from typing import Any

from platefiles.core.hashing import canonical, digest, file_sha256

VERSION = "0.1.0"
_LOCK = Path(__file__).resolve().parents[3] / "envs" / "requirements.lock"
_MJD_ZERO = datetime(1858, 11, 17)
_DAYS_OF_LEAP_SECONDS = ((6, 30), (12, 31))
_LIBRARIES = ("numpy", "numba", "scipy", "astropy", "snakemake")


@functools.cache
def software() -> str:
    """Return names and versions of Python and of the libraries that affect pixels."""
    versions = [f"{name} {metadata.version(name)}" for name in _LIBRARIES]
    return "; ".join([f"python {platform.python_version()}", *versions])


@functools.cache
def lock_digest() -> str:
    """Return the digest of the lock file of the environment, or ``none``."""
    return file_sha256(_LOCK)[:16] if _LOCK.is_file() else "none"


def creator() -> str:
    """Return name and version of platelog."""
    return f"platelog {VERSION}"


def making_cards(step: str, job: Mapping[str, Any]) -> list[tuple]:
    """Return the software, settings and code of a product as cards.

    Parameters
    ----------
    step : str
        Name of the rule.
    job : mapping
        The rule's job: its ``project`` (None if several share the product), ``settings`` and
        ``code``.
    """
    settings = canonical(job["settings"])
    project = job["project"]
    return [
        ("CREATOR", creator()),
        ("STEP", step),
        *([("PROJECT", project)] if project else []),
        # In the first block of the header, where `platefiles.workflow.staleness` looks for it.
        ("JOBDIG", digest(canonical(job))),
        ("CODEDIG", job["code"]),
        ("SETTINGS", settings),
        ("SETDIG", digest(settings)),
        ("LOCKDIG", lock_digest()),
        ("SOFTWARE", software()),
    ]


def exposure_cards(exposures: Sequence[tuple[str, float | None]]) -> list[tuple]:
    """Return number, total and time span of the combined exposures as cards.

    Parameters
    ----------
    exposures : sequence of (str, float or None)
        Start (ISO 8601 UTC, or empty) and length in seconds (None if unknown) of each combined
        frame. Only a single exposure gets ``DATE-OBS``; several get begin, end and average.
        ``EXPTIME`` is omitted if any length is unknown.
    """
    cards: list[tuple] = [("NCOMBINE", len(exposures))]
    known = [length for _, length in exposures if length is not None]
    if len(known) == len(exposures):
        cards.append(("EXPTIME", round(float(sum(known)), 3)))
    dated = sorted((start, length or 0.0) for start, length in exposures if "T" in start)
    if dated:
        begin, end, average = _span(dated)
        times = {"BEG": begin, "END": end, "AVG": average}
        if len(exposures) == 1:
            times = {"OBS": begin, **times}
        cards.append(("TIMESYS", "UTC"))
        cards += [(f"DATE-{name}", text) for name, (text, _) in times.items()]
        cards += [(f"MJD-{name}", round(mjd, 8)) for name, (_, mjd) in times.items()]
    return cards


def _span(exposures: Sequence[tuple[str, float]]) -> list[tuple[str, float]]:
    """Return the first start, the last end and the average, each in words and as MJD."""
    starts = [datetime.fromisoformat(start.rstrip("Z")) for start, _ in exposures]
    lengths = [timedelta(seconds=length) for _, length in exposures]
    ends = [start + length for start, length in zip(starts, lengths, strict=True)]
    if any((time.month, time.day) in _DAYS_OF_LEAP_SECONDS for time in (*starts, *ends)):
        return _span_with_leap_seconds(exposures)
    first = min(starts)
    since = [(start - first).total_seconds() for start in starts]
    average = first + timedelta(seconds=_average(since, exposures))
    half = timedelta(microseconds=500)  # isoformat cuts where it should round
    return [
        ((time + half).isoformat(timespec="milliseconds"), (time - _MJD_ZERO) / timedelta(days=1))
        for time in (first, max(ends), average)
    ]


def _average(since: Sequence[float], exposures: Sequence[tuple[str, float]]) -> float:
    """Return the mean of the exposure midpoints, weighted by length, or unweighted if all are 0."""
    lengths = [length for _, length in exposures]
    weights = lengths if sum(lengths) > 0 else [1.0] * len(lengths)
    middles = (start + length / 2 for start, length in zip(since, lengths, strict=True))
    total = sum(weight * middle for weight, middle in zip(weights, middles, strict=True))
    return total / sum(weights)


def _span_with_leap_seconds(exposures: Sequence[tuple[str, float]]) -> list[tuple[str, float]]:
    from astropy.time import Time, TimeDelta  # as slow to import as all the rest of a step

    starts = Time([start.rstrip("Z") for start, _ in exposures], scale="utc")
    ends = starts + TimeDelta([length for _, length in exposures], format="sec")
    first = starts.min()
    average = first + TimeDelta(_average((starts - first).sec.tolist(), exposures), format="sec")
    return [(time.isot, float(time.mjd)) for time in (first, ends.max(), average)]


def equipment_cards(equipment: Mapping[str, Any]) -> list[tuple]:
    """Return the camera, telescope and site of the equipment file.

    Parameters
    ----------
    equipment : mapping
        The given keys of the file.
    """
    facts = {**equipment, **equipment.get("site", {})}
    keywords = {
        "camera": "INSTRUME",
        "telescope": "TELESCOP",
        "pixel_size_um": "XPIXSZ",
        "focal_length_mm": "FOCALLEN",
        "latitude_deg": "OBSGEO-B",
        "longitude_deg": "OBSGEO-L",
        "elevation_m": "OBSGEO-H",
    }
    return [(keyword, facts[key]) for key, keyword in keywords.items() if key in facts]


def note_cards(notes: Sequence[str]) -> list[tuple]:
    """Return the cards of skipped steps, ``NOTDONE1`` and on."""
    return [(f"NOTDONE{i}", note) for i, note in enumerate(notes[:9], start=1)]
