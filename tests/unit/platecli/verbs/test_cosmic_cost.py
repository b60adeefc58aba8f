import sys

import numpy as np

from platecli.verbs.bench import BENCH

sys.path.insert(0, str(BENCH))

import cosmic_cost  # noqa: E402


def test_both_ways_find_the_same_on_the_drawn_frame():
    """The frame has tracks and bad pixels, both masks are equal, and the table says so."""
    frame = cosmic_cost.draw(0.25)
    assert frame.image.shape == (432, 576)
    assert frame.mask.any()
    ours, library = cosmic_cost.compare(frame, repeat=1)
    assert ours.found.sum() > 10
    np.testing.assert_array_equal(ours.found, library.found)
    text = cosmic_cost.as_text(frame, ours, library)
    assert text.startswith("576 x 432 px")
    assert text.endswith(" 0 pixels differ")
