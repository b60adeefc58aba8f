import numpy as np
import pytest
from drawn_differences import Conditions

from platelib.differences.filtered_difference import compare_with_stack
from platelib.numerics.workspace import Room

NOISE = [
    (Conditions(fwhm_px=2.0), 2.0),
    (Conditions(fwhm_px=2.2), 3.2),
    (Conditions(fwhm_px=5.0), 3.5),
    (Conditions(fwhm_px=3.0, transparency=0.6, turn_deg=3.0), 3.0),
    (Conditions(fwhm_px=3.0, exposure=0.1, drift_px=(2.0, 1.0)), 3.0),
]


def _sky_and_lit(drawn):
    """Signal-to-noise over the sky, and where the stack has light, away from the edge."""
    ratio = drawn.compared.statistic.significance()
    ny, nx = ratio.shape
    lit = drawn.lit.repeat(16, axis=0).repeat(16, axis=1)[:ny, :nx]
    known = drawn.compared.statistic.information > 0
    known[:12] = known[-12:] = known[:, :12] = known[:, -12:] = False
    return ratio[known & ~lit], ratio[known & lit]


@pytest.mark.parametrize(("taken", "stack_fwhm"), NOISE)
def test_the_statistic_has_unit_scatter(compared, taken, stack_fwhm):
    """Over the sky its scatter is 1 within 4 %, where stars are 1 within 12 %; tails are normal."""
    drawn = compared(1, taken, stack_fwhm)
    sky, lit = _sky_and_lit(drawn)
    assert abs(sky.std() - 1) < 0.04
    assert abs(1.4826 * np.median(np.abs(lit)) - 1) < 0.12
    # Normal values: 6e-5 beyond 4, of some 4000 independent ones.
    assert (np.abs(sky) > 4).mean() < 5e-4
    assert (np.abs(np.concatenate([sky, lit])) > 5.3).mean() < 2e-5
    assert abs(drawn.compared.scatter - 1) < 0.08


def test_threads_and_memory_change_no_bit(compared):
    """Three threads, in memory that was used before, give the sums of one."""
    drawn = compared(1, *NOISE[1])
    room = Room()
    given = drawn.both, drawn.matching, drawn.image, drawn.lit, drawn.correlation, 2.2
    for threads in (1, 3):
        again = compare_with_stack(*given, threads, room)
    for name in ("signal", "information"):
        one = getattr(drawn.compared.statistic, name)
        assert np.array_equal(one, getattr(again.statistic, name))


def test_little_of_the_field_is_lost(compared):
    """Light of stars takes half of the information in at most 5 % of a crowded field."""
    for taken, stack_fwhm in NOISE[:3]:
        found = compared(1, taken, stack_fwhm).compared
        inner = found.statistic.information[12:-12, 12:-12]
        assert (inner < 0.5 * found.usual).mean() < 0.05
