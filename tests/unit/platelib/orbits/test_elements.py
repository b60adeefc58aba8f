import numpy as np
import pytest

from platelib.orbits.elements import (
    Brightness,
    OrbitalElements,
    Orientation,
    elements_by_anomaly,
    elements_by_perihelion,
)

ROUND = Orientation(1.0, 2.0, 3.0)


def test_anomalies_before_perihelion_count_backward():
    """A mean anomaly of 350 degrees is 10 degrees before perihelion."""
    made = elements_by_anomaly(
        ["a", "b"], 2460000.5, [10.0, 350.0], 1.0, 0.1, ROUND, Brightness(9, 0.15)
    )
    np.testing.assert_allclose(made.since_perihelion_days, [10.146, -10.146], atol=1e-3)
    np.testing.assert_allclose(made.perihelion_au, 0.9)


def test_elements_without_epoch_hold_at_perihelion():
    """A comet without epoch gets that of its perihelion."""
    made = elements_by_perihelion(
        ["a", "b"], [np.nan, 2460010.5], 2460000.0, 1.0, 1.2, ROUND, Brightness(9, 4, True)
    )
    np.testing.assert_array_equal(made.epoch_jd, [2460000.0, 2460010.5])
    np.testing.assert_array_equal(made.since_perihelion_days, [0.0, 10.5])
    assert made.comet.all()


def test_parts_keep_rows_together():
    """Rows chosen by number or by mask keep all of their columns."""
    made = elements_by_anomaly(
        ["a", "b", "c"],
        2460000.5,
        [1.0, 2.0, 3.0],
        [1.0, 2.0, 3.0],
        0.1,
        ROUND,
        Brightness(9, 0.15),
    )
    part = made.part(np.array([False, True, True]))
    assert part.designation.tolist() == ["b", "c"]
    np.testing.assert_allclose(part.perihelion_au, [1.8, 2.7])
    assert len(made.part([2])) == 1


def test_arrays_of_unlike_lengths_are_refused():
    """Elements whose arrays differ in length are refused with their shapes."""
    columns = [np.zeros(2)] * 9
    with pytest.raises(ValueError, match="arrays of the shape"):
        OrbitalElements(np.array(["a", "b"]), *columns, np.zeros(3, dtype=bool))
