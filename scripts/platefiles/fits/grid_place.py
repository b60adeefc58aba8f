"""The place of an image on the grid of its project: LTM and LTV cards.

An image pixel is ``LTM`` times a grid pixel plus ``LTV``, both counted from 1. In the code both
count from 0.
"""

import json
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

from platefiles.core.hashing import canonical

_DIGITS, _SHIFT_DIGITS = 12, 6
_MATRIX = ("LTM1_1", "LTM1_2", "LTM2_1", "LTM2_2")
_SHIFT = ("LTV1", "LTV2")


@dataclass(frozen=True)
class GridPlace:
    """The linear map from grid pixels to the pixels of an image, 0-based.

    Attributes
    ----------
    matrix : tuple of tuple of float
        ``(2, 2)``: of x and y.
    shift : tuple of float
        Pixels of the image: place = matrix grid + shift.
    """

    matrix: tuple[tuple[float, float], tuple[float, float]] = ((1.0, 0.0), (0.0, 1.0))
    shift: tuple[float, float] = (0.0, 0.0)

    @classmethod
    def of(cls, cards: Mapping[str, Any]) -> "GridPlace | None":
        """Return the place that cards of a header tell; None if they do not."""
        if any(key not in cards for key in (*_MATRIX, *_SHIFT)):
            return None
        a, b, c, d = (float(cards[key]) for key in _MATRIX)
        x, y = (float(cards[key]) for key in _SHIFT)
        return cls(((a, b), (c, d)), (x - 1 + a + b, y - 1 + c + d))

    @classmethod
    def read(cls, text: str) -> "GridPlace | None":
        """Return the place in a text from `text`.

        Raises
        ------
        ValueError, TypeError
            If it is no such text.
        """
        return cls.of(json.loads(text))

    @property
    def cards(self) -> list[tuple[str, float]]:
        """Cards of a header, rounded far below the size of a pixel."""
        rows = zip(self.matrix, self.shift, _SHIFT, strict=True)
        cards: list[tuple[str, float]] = []
        for number, (row, shift, key) in enumerate(rows):
            names = _MATRIX[2 * number : 2 * number + 2]
            values = (float(f"{value:.{_DIGITS}g}") + 0.0 for value in row)
            cards += zip(names, values, strict=True)
            cards.append((key, round(float(shift + 1 - row[0] - row[1]), _SHIFT_DIGITS) + 0.0))
        return cards

    @property
    def text(self) -> str:
        """The cards as JSON."""
        return canonical(dict(self.cards))

    def cropped(self, first_row: int, first_column: int) -> "GridPlace":
        """Return the place of a part that begins at a row and column, from 0."""
        return replace(self, shift=(self.shift[0] - first_column, self.shift[1] - first_row))

    def resized(self, shape: tuple[int, int], new_shape: tuple[int, int]) -> "GridPlace":
        """Return the place of the image in another size, ``(ny, nx)``."""
        fy, fx = (new / old for old, new in zip(shape, new_shape, strict=True))
        (a, b), (c, d) = self.matrix
        x, y = self.shift
        matrix = ((a * fx, b * fx), (c * fy, d * fy))
        return GridPlace(matrix, ((x + 0.5) * fx - 0.5, (y + 0.5) * fy - 0.5))
