"""Read orbital elements of comets: the MPC's "Ephemerides and Orbital Elements" format.

Source: "Export Format for Comet Orbits", minorplanetcenter.net/iau/info/CometOrbitFormat.html.
"""

from pathlib import Path

import numpy as np
import numpy.typing as npt

from platefiles.orbits.elements_file import Block, Damage, ElementsFile, collected
from platefiles.orbits.fixed_columns import Rows, numbers, rows_of, texts
from platefiles.orbits.packed_designations import julian_day
from platelib.orbits.elements import (
    Brightness,
    Orientation,
    elements_by_perihelion,
)

Flags = npt.NDArray[np.bool_]
Floats = npt.NDArray[np.float64]

_FORMAT = "the export format for comet orbits"
_WIDTH = 158
_LEAST_LENGTH = 79
_DESIGNATION, _READABLE = (0, 12), (102, 158)
_COLUMNS = {
    "year of perihelion": (14, 18),
    "month of perihelion": (19, 21),
    "day of perihelion": (22, 29),
    "perihelion distance": (30, 39),
    "eccentricity": (41, 49),
    "argument of perihelion": (51, 59),
    "longitude of the node": (61, 69),
    "inclination": (71, 79),
    "year of epoch": (81, 85),
    "month of epoch": (85, 87),
    "day of epoch": (87, 89),
    "magnitude": (91, 95),
    "slope": (96, 100),
}
_MAY_BE_BLANK = ("year of epoch", "month of epoch", "day of epoch", "magnitude", "slope")


def read_comets(path: str | Path) -> ElementsFile:
    """Read a file of comets.

    Blank lines are skipped. Rows that cannot be read are counted and left out. Without an epoch,
    elements hold at perihelion.

    Parameters
    ----------
    path : path-like
        Plain or gzip.

    Returns
    -------
    ElementsFile

    Raises
    ------
    UserError
        The file cannot be read, or has another format.
    """
    path = Path(path)
    damage = Damage()
    blocks = [_read_block(rows, damage) for rows in rows_of(path, _WIDTH)]
    return collected(path, blocks, damage, _FORMAT)


def _read_block(rows: Rows, damage: Damage) -> Block:
    value, faults = _values(rows)
    keep = damage.sound(rows, faults)
    text = rows.text[keep]
    value = {name: column[keep] for name, column in value.items()}
    elements = elements_by_perihelion(
        texts(text[:, slice(*_DESIGNATION)], strip=False),
        value["epoch"],
        value["perihelion"],
        value["perihelion distance"],
        value["eccentricity"],
        Orientation(
            value["inclination"], value["longitude of the node"], value["argument of perihelion"]
        ),
        Brightness(value["magnitude"], value["slope"], comet=True),
    )
    unknown = np.full(len(elements), b"", dtype="S1")
    return Block(elements, texts(text[:, slice(*_READABLE)]), unknown)


def _values(rows: Rows) -> tuple[dict[str, Floats], list[tuple[str, Flags]]]:
    """Return the numbers of rows by column, and what can be wrong with them, each with a mask."""
    values = {}
    faults = [("the row is too short", rows.length < _LEAST_LENGTH)]
    for name, place in _COLUMNS.items():
        value, sound = numbers(rows.text[:, slice(*place)])
        faults.append(
            (f"{name} is no number", ~sound if name in _MAY_BE_BLANK else np.isnan(value))
        )
        values[name] = value
    faults.append(("eccentricity is below 0", values["eccentricity"] < 0))
    faults.append(("perihelion distance is not positive", values["perihelion distance"] <= 0))
    for event in ("perihelion", "epoch"):
        year, month, day = (values[f"{part} of {event}"] for part in ("year", "month", "day"))
        values[event] = julian_day(year, month, day)
        faults.append((f"no date of {event}", ~np.isnan(month) & ((month < 1) | (month > 12))))
    return values, faults
