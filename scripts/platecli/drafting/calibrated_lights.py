"""Lights that look calibrated already, by their headers."""

from collections.abc import Iterable, Mapping, Sequence

from platecli.drafting.found_lights import Light
from platefiles.core.safe_names import slug
from platefiles.fits.header_reader import Value
from platefiles.frames.dialects import Facts
from platefiles.raw_folders.scan import RawFile

CALIBRATION_KINDS = ("bias", "dark", "flat")
_RAW_UNITS = {"", "adu", "adus", "dn", "count", "counts", "ct"}
_NOT_DONE = {"", "0", "F", "FALSE", "NO", "NONE", "OMIT"}


def look_calibrated(lights: Sequence[Light], every: Iterable[tuple[RawFile, Facts]]) -> bool:
    """Return whether lights are already calibrated.

    They are if there are no calibration frames, and each light has a unit of light and non-integer
    values. World coordinates or a card on a flat count instead of the unit: a solved field stored
    as real numbers was calibrated before.

    Parameters
    ----------
    lights : sequence of Light
    every : iterable of (RawFile, Facts)
        All frames. Calibration frames of another camera or size do not count.
    """
    formats = {_format(light.file, light.facts) for light in lights}
    if any(
        facts.role in CALIBRATION_KINDS and _format(file, facts) in formats for file, facts in every
    ):
        return False
    return all(_looks_calibrated(light) for light in lights)


def _format(file: RawFile, facts: Facts) -> tuple[str, int, int]:
    return slug(facts.camera), file.width_px, file.height_px


def _looks_calibrated(light: Light) -> bool:
    header = light.file.header
    if _is_flattened(header):
        return True
    if header.get("BITPIX") in (8, 16, 32, 64):
        return False
    is_solved = str(header.get("CTYPE1", "")).upper().startswith(("RA--", "DEC-"))
    return is_solved or light.facts.unit.lower() not in _RAW_UNITS


def _is_flattened(header: Mapping[str, Value]) -> bool:
    """Return whether a header records flat division."""
    state = str(header.get("FLATCOR", "")).strip().upper()
    return "F" in str(header.get("CALSTAT", "")).upper() or state not in _NOT_DONE
