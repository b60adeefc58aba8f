from dataclasses import replace

import numpy as np
import pytest
from drawn_light_curves import Plan, draw

from platelib.light_curves.flux_series import night_numbers


@pytest.fixture(scope="module")
def series():
    """A small series."""
    return draw(1, Plan(n_stars=40, n_subs=12, n_nights=3, n_variables=0))[0]


def test_nights_are_parted_by_days(series):
    """Three nights of four subs have numbers 0, 1 and 2."""
    assert series.night.tolist() == [0] * 4 + [1] * 4 + [2] * 4
    assert night_numbers(np.array([0.0, 0.1, 0.34, 0.6])).tolist() == [0, 0, 0, 1]


def test_part_of_the_stars_keeps_their_facts(series):
    """A choice of stars takes their columns of everything."""
    part = series.of_stars(np.array([3, 7]))
    assert (part.n_apertures, part.n_subs, part.n_stars) == (2, 12, 2)
    np.testing.assert_array_equal(part.sensor, series.sensor[:, [3, 7]])
    np.testing.assert_array_equal(part.magnitude, series.magnitude[[3, 7]])


def test_wrong_shapes_are_named(series):
    """The message names the array, its shape and the shape expected."""
    with pytest.raises(ValueError, match=r"airmass .* has shape \(3,\); expected \(12,\)"):
        replace(series, airmass=np.ones(3))
    with pytest.raises(ValueError, match="must have one shape"):
        replace(series, error=series.error[0])


def test_subs_must_be_in_order_of_time(series):
    """A series that runs backwards is refused."""
    with pytest.raises(ValueError, match="in order of time"):
        replace(series, time_jd=series.time_jd[::-1].copy())
