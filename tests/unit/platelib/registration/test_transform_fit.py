import numpy as np

from platelib.numerics.transform import Transform
from platelib.registration.transform_fit import Match, _is_better


def test_residuals_that_fall_by_leaving_stars_out_are_no_gain():
    """A cubic that lost 7 of 339 stars, and so 7 % of its residuals, is not taken."""
    numbers = np.arange(339)
    line = Match(_polynomial(1), numbers, numbers, 0.1776)
    cubic = Match(_polynomial(3), numbers[:332], numbers[:332], 0.16494)
    assert not _is_better(cubic, line)
    assert _is_better(Match(_polynomial(3), numbers, numbers, 0.16494), line)


def _polynomial(degree):
    count = (degree + 1) * (degree + 2) // 2
    return Transform(degree, 0.0, 0.0, 1.0, np.zeros(count), np.zeros(count))
