import math
from itertools import combinations

import numpy as np
import pytest
from array_rows import DisplayArray

from platefiles.picture.annotated_picture import (
    MOST_LETTERS,
    Drawing,
    Ellipse,
    StarMark,
    drawn_text,
)
from platelib.astrometry.tan_sip import SkyMap
from platelib.picture.graticule import directions

SHAPE = (700, 1100)
BLACK = DisplayArray(np.zeros((*SHAPE, 3), np.uint16))
SCALE_DEG = 2.3 / 3600


def _map(angle_deg):
    turn = math.radians(angle_deg)
    cos, sin = SCALE_DEG * math.cos(turn), SCALE_DEG * math.sin(turn)
    return SkyMap(158.6, 30.0, 549.5, 349.5, (-cos, sin, sin, cos))


def _drawn(sky_map, *ellipses):
    drawing = Drawing("Field", sky_map, SHAPE, ellipses, [])
    drawing.over(BLACK)
    return drawing.boxes


@pytest.mark.parametrize("angle_deg", [0, 20, 90, 180, 270])
def test_an_object_between_the_arrows_is_named(angle_deg):
    """Arrows take no more room than they need: behind their foot there is room for a label."""
    sky_map = _map(angle_deg)
    length = 0.07 * min(SHAPE)
    foot = np.array([1.9 * length, 1.9 * length])
    x, y = foot - 0.4 * length * np.sum(directions(sky_map, *foot), axis=0)
    boxes = _drawn(sky_map, Ellipse("#7", x, y, 8.0, 5.0, 20.0, False))
    assert len(boxes) == len(_drawn(sky_map)) + 1
    label = boxes[-1]
    assert math.dist(((label.left + label.right) / 2, (label.bottom + label.top) / 2), (x, y)) < 60


def test_nothing_that_is_written_overlaps():
    """Title, letters of the arrows, scale bar, grid labels and twenty objects keep apart."""
    rng = np.random.default_rng(5)
    places = rng.uniform((10, 10), (SHAPE[1] - 10, SHAPE[0] - 10), (20, 2))
    objects = [Ellipse(f"#{k}", x, y, 9.0, 6.0, 30.0, True) for k, (x, y) in enumerate(places)]
    boxes = _drawn(_map(0), *objects)
    arrows = boxes[0], boxes[2]  # they begin at the same place, and each has its letter after it
    apart = [box for box in boxes if box not in arrows]
    assert len(apart) > 20
    assert not any(one.overlaps(other) for one, other in combinations(apart, 2))
    assert not any(arrow.overlaps(box) for arrow in arrows for box in apart)


@pytest.mark.parametrize(
    "name",
    ["$\\undefined{$", "$", "$x^$ and $", "a\nb", "\x1b[2J", "\ud800", "\u202eabc", "x" * 200_000,
     "$" + "\\frac" * 5000 + "$"],
)  # fmt: skip
def test_names_are_drawn_as_they_are(name):
    """Anybody's catalogue names objects: a dollar is no formula, and an endless name is cut."""
    sky_map = _map(0)
    ellipse = Ellipse(name, 300.0, 300.0, 9.0, 6.0, 30.0, True)
    drawing = Drawing(name, sky_map, SHAPE, [ellipse], [StarMark(name, 500.0, 400.0)])
    assert drawing.over(BLACK).rows(0, SHAPE[0]).shape == (*SHAPE, 3)
    assert drawing.svg().startswith(b"<?xml")
    assert drawn_text(name).isprintable()
    assert len(drawn_text(name)) <= MOST_LETTERS


def test_names_that_print_are_drawn_whole():
    """What is short and prints stays as it is."""
    assert drawn_text("M 31 (é $)") == "M 31 (é $)"
    assert drawn_text("x" * MOST_LETTERS) == "x" * MOST_LETTERS


def test_the_picture_below_a_drawing_stays_as_it_is():
    """Where nothing is drawn, pixels are those of the picture, rounded to 8 bits."""
    picture = np.random.default_rng(4).integers(0, 65536, (*SHAPE, 3)).astype(np.uint16)
    drawing = Drawing("Field", _map(10), SHAPE, [], [])
    drawn = drawing.over(DisplayArray(picture))
    assert drawn.shape == SHAPE
    rows = np.concatenate([drawn.rows(y, min(y + 90, SHAPE[0])) for y in range(0, SHAPE[0], 90)])
    rounded = (picture.astype(int) + 128) // 257 * 257
    alike = (rows == rounded).all(axis=2)
    assert 0.9 < alike.mean() < 1


def test_letters_have_the_same_places_in_both_files():
    """The drawing alone names what the picture names, at the same places."""
    objects = [Ellipse(f"#{k}", 60.0 * k, 40.0 * k, 9.0, 6.0, 30.0, True) for k in range(1, 9)]
    drawing = Drawing("Field", _map(0), SHAPE, objects, [StarMark("9.1", 700.0, 200.0)])
    drawing.over(BLACK)
    boxes = list(drawing.boxes)
    drawing.svg()
    assert drawing.boxes == boxes
