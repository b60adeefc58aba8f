import pytest

from platelib.numerics.polynomial_degree import Residuals, count_terms, fit_rising, pays


def test_residuals_that_fall_by_leaving_stars_out_are_no_gain():
    """A cubic that lost 7 of 339 stars, and so 7 % of its residuals, is not taken."""
    line = Residuals(339, 3, 0.1776)
    assert not pays(Residuals(332, 10, 0.16494), line, kept=0.99)
    assert pays(Residuals(339, 10, 0.16494), line, kept=0.99)


@pytest.mark.parametrize(
    "higher",
    [
        Residuals(23, 6, 0.1),  # not four places a coefficient
        Residuals(300, 6, 0.96),  # 4 % less, which is not worth a degree
        Residuals(25, 6, 0.8),  # F = (1 / 0.64 - 1) * 19 / 3 = 3.6, as chance may have it
    ],
)
def test_a_degree_that_does_not_pay(higher):
    """Few places, a small fall and a fall that may be chance each keep the lower degree."""
    assert not pays(higher, Residuals(higher.places, 3, 1.0), kept=0.97)


def test_the_cubic_is_tried_after_a_quadratic_that_does_not_pay():
    """Each degree starts from the best one so far; the search ends where there is no fit."""
    rms = {1: 1.0, 2: 0.99, 3: 0.1}
    asked = []

    def fit(degree, best):
        asked.append((degree, best))
        return Residuals(400, count_terms(degree), rms[degree]) if degree in rms else None

    best = fit_rising(fit, lambda one: one, 5, 0.97)
    assert best == Residuals(400, 10, 0.1)
    assert [(degree, one and one.terms) for degree, one in asked] == [
        *((1, None), (2, 3), (3, 3), (4, 10)),
    ]
