"""What a file of elements held: sound rows as elements, damaged ones by name."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt

from platefiles.core.errors import UserError
from platefiles.orbits.fixed_columns import Rows
from platefiles.orbits.packed_designations import Identity, comet, minor_planet
from platelib.orbits.elements import OrbitalElements

Flags = npt.NDArray[np.bool_]

_MOST_NAMED = 20
_LEAST_SOUND_SHARE = 0.5


@dataclass(frozen=True)
class DamagedRow:
    """A row that was left out: its line, from 1, its first characters, and the reason."""

    line: int
    begins: str
    reason: str


@dataclass(frozen=True)
class ElementsFile:
    """The content of a file of elements.

    Attributes
    ----------
    elements : OrbitalElements
        n bodies; their ``designation`` is the packed one, as bytes.
    readable : numpy.ndarray
        ``(n,)`` bytes: number and name, or designation, as the file writes them out.
    uncertainty : numpy.ndarray
        ``(n,)`` bytes of one character: the uncertainty parameter U of minor planets, 0 best to 9,
        or a letter; blank if unknown and for comets.
    damaged_count : int
    damaged : tuple of DamagedRow
        The first 20.
    """

    elements: OrbitalElements
    readable: np.ndarray
    uncertainty: np.ndarray
    damaged_count: int
    damaged: tuple[DamagedRow, ...]

    def name(self, row: int) -> str:
        """Return the readable designation of a body, or its packed one where that is missing."""
        text = bytes(self.readable[row]) or bytes(self.elements.designation[row])
        return text.decode("latin-1").strip()

    def identity(self, row: int) -> Identity:
        """Return the designations of a body for a report; empty where they cannot be told."""
        text = bytes(self.elements.designation[row]).decode("latin-1")
        try:
            if self.elements.comet[row]:
                return comet(text[:4], text[4:5], text[5:])
            return minor_planet(text)
        except ValueError:
            return Identity()

    def damage(self) -> str:
        """Return a sentence on the damaged rows, '' if there are none."""
        if not self.damaged_count:
            return ""
        named = "; ".join(
            f"line {one.line} ({one.begins}): {one.reason}" for one in self.damaged[:5]
        )
        more = ", ..." if self.damaged_count > min(5, len(self.damaged)) else ""
        return f"{self.damaged_count} rows of elements were left out: {named}{more}"


@dataclass(frozen=True)
class Block:
    """The sound rows of a part of a file: as the attributes of `ElementsFile`."""

    elements: OrbitalElements
    readable: np.ndarray
    uncertainty: np.ndarray


class Damage:
    """Collects the rows that are left out."""

    def __init__(self) -> None:
        self.count = 0
        self.named: list[DamagedRow] = []

    def sound(self, rows: Rows, faults: Iterable[tuple[str, Flags]]) -> Flags:
        """Return a mask of the sound rows; note the others, each under the first fault it has.

        Blank rows are neither.
        """
        filled = (rows.text != ord(" ")).any(axis=1)
        seen = np.zeros(rows.length.size, dtype=bool)
        for reason, wrong in faults:
            fresh = wrong & filled & ~seen
            seen |= fresh
            for k in np.flatnonzero(fresh)[: _MOST_NAMED - len(self.named)].tolist():
                begins = bytes(rows.text[k, :30]).decode("latin-1").strip()
                self.named.append(DamagedRow(rows.first_line + k, begins, reason))
        self.count += int(seen.sum())
        return filled & ~seen

    def rows(self) -> tuple[DamagedRow, ...]:
        """Return the named rows in order of their lines."""
        return tuple(sorted(self.named, key=lambda one: one.line))


def collected(path: Path, blocks: list[Block], damage: Damage, expected: str) -> ElementsFile:
    """Join the blocks of a file.

    Raises
    ------
    UserError
        The file has no rows or most are damaged: it seems to have another format.
    """
    _refuse_other_format(path, sum(len(one.elements) for one in blocks), damage, expected)
    whole = joined(blocks)
    return ElementsFile(
        whole.elements, whole.readable, whole.uncertainty, damage.count, damage.rows()
    )


def joined(blocks: Sequence[Block]) -> Block:
    """Join blocks of rows, in order."""
    parts = [one.elements for one in blocks]
    names = OrbitalElements.__dataclass_fields__
    return Block(
        OrbitalElements(*(np.concatenate([getattr(one, name) for one in parts]) for name in names)),
        np.concatenate([one.readable for one in blocks]),
        np.concatenate([one.uncertainty for one in blocks]),
    )


def _refuse_other_format(path: Path, sound: int, damage: Damage, expected: str) -> None:
    total = sound + damage.count
    if sound and sound >= _LEAST_SOUND_SHARE * total:
        return
    rows = damage.rows()
    first = f"; line {rows[0].line} ({rows[0].begins!r}): {rows[0].reason}" if rows else ""
    msg = (
        f"{path} does not have {expected}: {sound} of its {total} rows can be read{first}. "
        "Give the file as the Minor Planet Center publishes it, plain or gzip."
    )
    raise UserError(msg)
