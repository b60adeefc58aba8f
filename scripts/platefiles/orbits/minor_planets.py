"""Read orbital elements of minor planets: the MPC's export format, MPCORB.

Source: "Export Format for Minor-Planet Orbits", minorplanetcenter.net/iau/info/MPOrbitFormat.html.
"""

from pathlib import Path

import numpy as np
import numpy.typing as npt

from platefiles.orbits.elements_file import Block, Damage, ElementsFile, collected
from platefiles.orbits.fixed_columns import Rows, numbers, rows_of, texts
from platefiles.orbits.packed_designations import epochs
from platelib.orbits.elements import Brightness, Orientation, elements_by_anomaly

_FORMAT = "the export format for minor-planet orbits (MPCORB)"
_WIDTH = 194
_LEAST_LENGTH = 103
_LONGEST_HEADER = 200
_DESIGNATION, _EPOCH, _UNCERTAINTY, _READABLE = (0, 7), (20, 25), (105, 106), (166, 194)
_COLUMNS = {
    "magnitude": (8, 13),
    "slope": (14, 19),
    "mean anomaly": (26, 35),
    "argument of perihelion": (37, 46),
    "longitude of the node": (48, 57),
    "inclination": (59, 68),
    "eccentricity": (70, 79),
    "semimajor axis": (92, 103),
}
_MAY_BE_BLANK = ("magnitude", "slope")

Flags = npt.NDArray[np.bool_]
Floats = npt.NDArray[np.float64]


def read_minor_planets(path: str | Path) -> ElementsFile:
    """Read a file of minor planets.

    A header ends with a line of dashes, or with the first row that can be read; both may be
    missing. Blank lines are skipped. Rows that cannot be read are counted and left out.

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
    damage, blocks = Damage(), []
    for rows in rows_of(path, _WIDTH):
        begin = _header_end(rows) if rows.first_line == 1 else 0
        part = Rows(rows.first_line + begin, rows.text[begin:], rows.length[begin:])
        blocks.append(_read_block(part, damage))
    return collected(path, blocks, damage, _FORMAT)


def _header_end(rows: Rows) -> int:
    """Return how many rows are header."""
    first = rows.text[:_LONGEST_HEADER]
    ruled = np.flatnonzero((first[:, :5] == ord("-")).all(axis=1))
    if ruled.size:
        return int(ruled[0]) + 1
    _, faults = _values(Rows(1, first, rows.length[:_LONGEST_HEADER]))
    sound = ~np.logical_or.reduce([wrong for _, wrong in faults])
    return int(np.argmax(sound)) if sound.any() else 0


def _read_block(rows: Rows, damage: Damage) -> Block:
    value, faults = _values(rows)
    keep = damage.sound(rows, faults)
    text = rows.text if keep.all() else rows.text[keep]
    value = {name: column[keep] for name, column in value.items()}
    elements = elements_by_anomaly(
        texts(text[:, slice(*_DESIGNATION)]),
        value["epoch"],
        value["mean anomaly"],
        value["semimajor axis"],
        value["eccentricity"],
        Orientation(
            value["inclination"], value["longitude of the node"], value["argument of perihelion"]
        ),
        Brightness(value["magnitude"], value["slope"]),
    )
    return Block(elements, texts(text[:, slice(*_READABLE)]), texts(text[:, slice(*_UNCERTAINTY)]))


def _values(rows: Rows) -> tuple[dict[str, Floats], list[tuple[str, Flags]]]:
    """Return the numbers of rows by column, and what can be wrong with them, each with a mask."""
    text = rows.text
    values = {"epoch": epochs(text[:, slice(*_EPOCH)])}
    faults = [
        ("the row is too short", rows.length < _LEAST_LENGTH),
        ("no designation", (text[:, slice(*_DESIGNATION)] == ord(" ")).all(axis=1)),
        ("no epoch in packed form", np.isnan(values["epoch"])),
    ]
    for name, place in _COLUMNS.items():
        value, sound = numbers(text[:, slice(*place)])
        faults.append(
            (f"{name} is no number", ~sound if name in _MAY_BE_BLANK else np.isnan(value))
        )
        values[name] = value
    eccentricity, axis = values["eccentricity"], values["semimajor axis"]
    faults.append(("eccentricity is not below 1", (eccentricity < 0) | (eccentricity >= 1)))
    faults.append(("semimajor axis is not positive", axis <= 0))
    return values, faults
