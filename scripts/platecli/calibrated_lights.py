"""Lights that look calibrated already, by their headers."""

from collections.abc import Iterable, Mapping

from platecli.found_lights import Light
from platefiles.cards import Value
from platefiles.headers import Facts

CALIBRATION_KINDS = ("bias", "dark", "flat")
_RAW_UNITS = {"", "adu", "adus", "dn", "count", "counts", "ct"}
_NOT_DONE = {"", "0", "F", "FALSE", "NO", "NONE", "OMIT"}


def look_calibrated(lights: Iterable[Light], every: Iterable[Facts]) -> bool:
    """Say whether lights come calibrated.

    They do if there is nothing to calibrate them with, and each is in a unit of light and holds no
    whole numbers. In place of the unit, world coordinates or a card that tells of a flat do:
    whoever solved a field and stored real numbers has calibrated it before.

    Parameters
    ----------
    lights : iterable of Light
    every : iterable of Facts
        What the headers of all frames say.
    """
    if any(fact.role in CALIBRATION_KINDS for fact in every):
        return False
    return all(_looks_calibrated(light) for light in lights)


def _looks_calibrated(light: Light) -> bool:
    header = light.file.header
    if _is_flattened(header):
        return True
    if header.get("BITPIX") in (8, 16, 32, 64):
        return False
    is_solved = str(header.get("CTYPE1", "")).upper().startswith(("RA--", "DEC-"))
    return is_solved or light.facts.unit.lower() not in _RAW_UNITS


def _is_flattened(header: Mapping[str, Value]) -> bool:
    """Say whether a header tells that the frame was divided by a flat."""
    state = str(header.get("FLATCOR", "")).strip().upper()
    return "F" in str(header.get("CALSTAT", "")).upper() or state not in _NOT_DONE
