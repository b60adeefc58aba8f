import itertools

import numpy as np

from platelib.picture.label_layout import Box, Wish, place_labels

FRAME = Box(0, 0, 600, 400)


def crowd(count, seed=3):
    """Draw labels of many sizes, many of them near each other."""
    rng = np.random.default_rng(seed)
    return [
        Wish(*rng.uniform(0, (600, 400)), *rng.uniform(2, 20, 2), rng.uniform(20, 70), 11)
        for _ in range(count)
    ]


def test_no_two_labels_overlap():
    """In a crowd labels keep off each other, off what is taken and inside the frame."""
    taken = [Box(500, 0, 600, 60)]
    places = [box for box in place_labels(crowd(150), FRAME, taken) if box is not None]
    assert len(places) > 60
    for one, other in itertools.combinations([*places, *taken], 2):
        assert not one.overlaps(other)
    assert all(FRAME.holds(box) for box in places)


def test_label_keeps_off_what_it_names():
    """A label lies wholly outside of the box of its object."""
    for wish in crowd(40, seed=5):
        (box,) = place_labels([wish], Box(-1000, -1000, 1600, 1400))
        own = Box(
            wish.x - wish.reach_x,
            wish.y - wish.reach_y,
            wish.x + wish.reach_x,
            wish.y + wish.reach_y,
        )
        assert not box.overlaps(own)


def test_first_label_has_the_first_choice():
    """Where there is room for one, it is the first that gets it, and the other gets none."""
    wishes = [Wish(50, 10, 2, 2, 40, 12), Wish(52, 10, 2, 2, 40, 12)]
    first, second = place_labels(wishes, Box(20, 3, 100, 17))
    assert first is not None
    assert second is None


def test_boxes_that_touch_do_not_overlap():
    """Common edges are no overlap; common area is."""
    box = Box(0, 0, 10, 10)
    assert not box.overlaps(Box(10, 0, 20, 10))
    assert box.overlaps(Box(9.9, 9.9, 20, 20))
