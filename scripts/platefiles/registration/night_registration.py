"""The registration of a night."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from platefiles.fits.products_io import read_header
from platefiles.fits.tables import read_columns, rows_of
from platefiles.subs.saturated_cores import read_cores_of_subs
from platelib.calibration.saturation_level import LostCores
from platelib.registration.night_selection import Reference


@dataclass(frozen=True)
class NightRegistration:
    """What ``register`` wrote of a night.

    Attributes
    ----------
    night : str
    rows : list of dict
        Rows of ``TRANSFORMS``; states and weights may be set in place.
    cores : sequence of LostCores
        Saturated cores of each sub on the grid.
    reference_id : str
        The channel's photometric reference.
    reference : Reference
        Its measures.
    """

    night: str
    rows: list[dict[str, Any]]
    cores: Sequence[LostCores]
    reference_id: str
    reference: Reference


def read_night_registration(path: str | Path) -> NightRegistration:
    """Read the registration of a night."""
    header = read_header(path)
    rows = rows_of(read_columns(path, "TRANSFORMS"))
    for row in rows:
        row["causes"] = tuple(filter(None, row["causes"].split(";")))
    return NightRegistration(
        header["NIGHT"],
        rows,
        read_cores_of_subs(path, len(rows)),
        header["PHOTREF"],
        reference_of(header),
    )


def reference_of(header: Mapping[str, Any]) -> Reference:
    """Return the photometric reference from the header of a night's registration."""
    return Reference(float(header["REFFWHM"]), float(header["REFSKY"]))
