import numpy as np
import pytest

from platelib.detection.star_widths import star_group


def _widths(seed, stars, bumps=0, tracks=0, scatter=0.05):
    """Widths of stars of 3 px, of bumps about 5.5 px, and of tracks below 2.4 px."""
    rng = np.random.default_rng(seed)
    return np.concatenate(
        [
            3.0 * np.exp(rng.normal(0, scatter, stars)),
            5.5 * np.exp(rng.normal(0, 0.3, bumps)),
            rng.uniform(1.2, 2.4, tracks),
        ]
    )


@pytest.mark.parametrize(
    ("stars", "bumps", "tracks"),
    [(300, 0, 0), (60, 700, 0), (8, 8, 0), (10, 0, 4), (300, 0, 20), (40, 0, 20), (2000, 0, 0)],
)
def test_the_sharpest_group_is_that_of_stars(stars, bumps, tracks):
    """Stars of one width are found among ten times as many bumps, and beside sharp tracks."""
    for seed in range(10):
        fwhm = _widths(seed, stars, bumps, tracks)
        assert np.median(fwhm[star_group(fwhm)]) == pytest.approx(3.0, rel=0.08), seed


def test_faint_stars_do_not_widen_the_group():
    """Where most stars are too faint for their width to be known, the bright ones tell it."""
    for seed in range(10):
        fwhm = np.concatenate([_widths(seed, 100), _widths(seed + 100, 600, scatter=0.25)])
        assert np.median(fwhm[star_group(fwhm)]) == pytest.approx(3.0, rel=0.02), seed


@pytest.mark.parametrize("count", [0, 1, 4])
def test_few_detections_are_one_group(count):
    """Fewer than five detections all count, whatever their widths."""
    assert star_group(np.geomspace(2, 9, 4)[:count]).all()


def test_without_a_group_all_count():
    """Widths spread evenly have no group that stands out."""
    assert star_group(np.geomspace(1.5, 9.0, 40)).all()
