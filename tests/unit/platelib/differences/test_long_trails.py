import numpy as np

from platelib.differences.bright_pieces import bright_pieces
from platelib.differences.detections import Detections
from platelib.differences.long_trails import LongTrails, hide_long_trails, is_long, part_long_trails
from platelib.differences.statistic import Statistic


def _line(shape, x0, y0, x1, y1, height=8.0):
    """Signal-to-noise of a line two pixels wide."""
    y, x = np.indices(shape)
    length = np.hypot(x1 - x0, y1 - y0)
    across = ((x - x0) * (y1 - y0) - (y - y0) * (x1 - x0)) / length
    along = ((x - x0) * (x1 - x0) + (y - y0) * (y1 - y0)) / length
    inside = (np.abs(across) < 1.5) & (along >= 0) & (along <= length)
    return np.where(inside, height, 0).astype(np.float32)


def _detections(x, y, length, angle):
    rows = np.zeros((12, len(x)))
    rows[0], rows[1], rows[7], rows[9] = x, y, length, angle
    columns = [*rows[:-1], rows[-1].astype(np.int64)]
    return Detections(*columns)


def test_pieces_of_one_satellite_are_joined():
    """A trail that a mask cuts in two is one long trail; detections on its line go with it."""
    shape = (200, 240)
    ratio = _line(shape, 0, 20, 239, 160)
    ratio[:, 100:110] = 0
    pieces = list(bright_pieces(ratio, 1, 5.0))
    assert len(pieces) == 2
    assert all(is_long(piece, shape, 100.0) for piece in pieces)
    found = _detections([105.0, 60.0], [20 + 105 * 140 / 239, 150.0], [0, 0], [0, 0])
    trails, apart = part_long_trails(pieces, found, 3.0, 100.0)
    assert len(trails) == 1
    assert apart.tolist() == [False, True]


def test_short_trails_in_line_are_a_satellite_and_others_are_not():
    """Three trails of 20 px in a line of 180 px are long together; a fourth aside stays."""
    turn = np.radians(30)
    along = np.array([0.0, 70.0, 150.0])
    x, y = 40 + along * np.cos(turn), 30 + along * np.sin(turn)
    found = _detections([*x, 60.0], [*y, 160.0], [20] * 4, [30] * 4)
    trails, apart = part_long_trails([], found, 3.0, 100.0)
    assert len(trails) == 1
    assert apart.tolist() == [False] * 3 + [True]


def test_a_fast_mover_is_not_long():
    """A trail of 60 px inside the field is left to be measured; one of 40 px at its edge is not."""
    shape = (200, 240)
    (inside,) = bright_pieces(_line(shape, 60, 60, 110, 93), 1, 5.0)
    (leaving,) = bright_pieces(_line(shape, 0, 60, 38, 73), 1, 5.0)
    assert not is_long(inside, shape, 100.0)
    assert is_long(leaving, shape, 100.0)


def test_hidden_trails_leave_a_strip_without_information():
    """Both sums are 0 within the half width of the line, across the field, and nowhere else."""
    sums = np.ones((2, 50, 60), dtype=np.float32)
    statistic = Statistic(sums[0], sums[1])
    trails = LongTrails(np.array([[10.0, 40.0]]), np.array([[20.0, 20.0]]))
    hide_long_trails(statistic, trails, 3.0)
    assert not statistic.information[17:24].any()
    assert statistic.information[:17].all()
    assert statistic.information[24:].all()
