import numpy as np

from platelib.integration.psf_partners import choose_partners, wanted_stars


def test_partners_are_nearest_in_width_on_both_sides():
    """A sub in the middle has three sharper and three softer partners, the nearest first."""
    widths = np.array([3.0, 2.0, 2.1, 2.2, 2.5, 2.6, 2.7, 4.0, 2.4])
    partners = choose_partners(widths)
    assert partners.shape == (9, 6)
    assert sorted(partners[8].tolist()) == [1, 2, 3, 4, 5, 6]
    assert partners[8, 0] == 4
    assert all(sub not in partners[sub] for sub in range(9))


def test_wider_stars_take_fewer_stamps():
    """The number of stars falls as their pixels grow, within 16 and 48."""
    counts = [wanted_stars(np.array([width] * 3)) for width in (1.5, 3.0, 6.0, 12.0)]
    assert counts == sorted(counts, reverse=True)
    assert counts[0] <= 48
    assert counts[-1] >= 16
