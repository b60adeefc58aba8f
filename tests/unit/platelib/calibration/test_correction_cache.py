import numpy as np
import pytest

from platelib.calibration import correction_cache
from platelib.calibration.correction import Correction, lines_of
from platelib.calibration.correction_cache import KeptLines

SHAPE = (60, 80)


@pytest.fixture
def made(monkeypatch):
    """Windows that were worked out."""
    windows = []

    def noting(correction, rows, columns, memory=None):
        windows.append((rows, columns))
        return lines_of(correction, rows, columns, memory)

    monkeypatch.setattr(correction_cache, "lines_of", noting)
    return windows


def _correction(seed: int) -> Correction:
    rng = np.random.default_rng(seed)
    bias, flat = rng.normal(500, 5, SHAPE), rng.uniform(0.8, 1.1, SHAPE)
    return Correction(bias.astype(np.float32), flat=flat.astype(np.float32), zero=float(seed))


def _check(lines, correction, rows, columns):
    """Lines hold the window, and the same numbers as those of the whole frame."""
    assert lines.holds(rows, columns)
    whole = lines_of(correction, (0, SHAPE[0]), (0, SHAPE[1]))
    part = np.s_[rows[0] - lines.top : rows[1] - lines.top, columns[0] - lines.left :]
    for plane, full in ((lines.offset, whole.offset), (lines.factor, whole.factor)):
        width = columns[1] - columns[0]
        np.testing.assert_array_equal(
            plane[part][:, :width], full[rows[0] : rows[1], columns[0] : columns[1]]
        )
    assert lines.zero == correction.zero


def test_a_sub_pointed_a_little_elsewhere_finds_its_lines(made):
    """Windows within the margin cost nothing; one beyond it is worked out."""
    kept, correction = KeptLines(5), _correction(1)
    for rows, columns in (((20, 30), (30, 50)), ((23, 33), (26, 46)), ((15, 25), (35, 55))):
        _check(kept.of(correction, SHAPE, rows, columns), correction, rows, columns)
    assert made == [((15, 35), (25, 55))]
    _check(kept.of(correction, SHAPE, (0, 8), (70, 80)), correction, (0, 8), (70, 80))
    assert made[1:] == [((0, 13), (65, 80))]


def test_lines_of_two_corrections_are_kept(made):
    """Two take turns; the third takes the place, and the memory, of the oldest."""
    kept = KeptLines()
    one, two, three = (_correction(seed) for seed in (1, 2, 3))
    window = ((10, 20), (0, 80))
    for correction in (one, two, one, two, three, two):
        _check(kept.of(correction, SHAPE, *window), correction, *window)
    assert len(made) == 3
    _check(kept.of(one, SHAPE, *window), one, *window)
    assert len(made) == 4


def test_planes_of_another_shape_are_refused():
    """A frame of another size than its masters is a mistake of the caller."""
    with pytest.raises(ValueError, match="raw frame is"):
        KeptLines().of(_correction(1), (60, 81), (0, 10), (0, 10))
