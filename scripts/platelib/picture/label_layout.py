"""Layout of the labels of a picture without overlaps."""

import math
from collections.abc import Sequence
from dataclasses import dataclass


@dataclass(frozen=True)
class Box:
    """A rectangle with its sides along the axes."""

    left: float
    bottom: float
    right: float
    top: float

    def overlaps(self, other: "Box") -> bool:
        """Whether two boxes share any area."""
        return (
            self.left < other.right
            and other.left < self.right
            and self.bottom < other.top
            and other.bottom < self.top
        )

    def holds(self, other: "Box") -> bool:
        """Whether another box lies inside."""
        return (
            self.left <= other.left
            and self.bottom <= other.bottom
            and self.right >= other.right
            and self.top >= other.top
        )


@dataclass(frozen=True)
class Wish:
    """A label to be placed.

    Attributes
    ----------
    x, y : float
        What it names.
    reach_x, reach_y : float
        Half of the box about it that the label has to keep out of.
    width, height : float
        Size of the label.
    """

    x: float
    y: float
    reach_x: float
    reach_y: float
    width: float
    height: float


_GAP = 3.0
"""Distance of a label from what it names, in the first ring."""
_RINGS = (1.0, 1.6, 2.4, 3.6, 5.4)
_DIRECTIONS = (0, 180, 60, 120, 240, 300, 90, 270, 30, 150, 210, 330)


def place_labels(wishes: Sequence[Wish], frame: Box, taken: Sequence[Box] = ()) -> list[Box | None]:
    """Place labels in order of priority.

    Parameters
    ----------
    wishes : sequence of Wish
        In the order of importance.
    frame : Box
        Labels stay inside.
    taken : sequence of Box
        Places that are taken already.

    Returns
    -------
    list of Box or None
        None where there is no free place near enough.
    """
    occupied = list(taken)
    places: list[Box | None] = []
    for wish in wishes:
        place = next((box for box in _candidates(wish) if _free(box, frame, occupied)), None)
        places.append(place)
        if place is not None:
            occupied.append(place)
    return places


def _free(box: Box, frame: Box, occupied: Sequence[Box]) -> bool:
    return frame.holds(box) and not any(box.overlaps(other) for other in occupied)


def _candidates(wish: Wish):
    """Yield boxes around a position: nearest first, right and left before above and below."""
    half_x, half_y = wish.width / 2, wish.height / 2
    for ring in _RINGS:
        for direction in _DIRECTIONS:
            cos = math.cos(math.radians(direction))
            sin = math.sin(math.radians(direction))
            # Far enough along the direction that the label just leaves the box of the object.
            across = wish.reach_x + _GAP * ring + half_x
            along = wish.reach_y + _GAP * ring + half_y
            stretch = min(
                across / abs(cos) if abs(cos) > 1e-9 else math.inf,
                along / abs(sin) if abs(sin) > 1e-9 else math.inf,
            )
            x, y = wish.x + stretch * cos, wish.y + stretch * sin
            yield Box(x - half_x, y - half_y, x + half_x, y + half_y)
