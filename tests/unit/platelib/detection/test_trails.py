import numpy as np
import pytest

from platelib.detection.trails import on_trails

SHAPE = (3520, 4656)
NOTHING = np.zeros((0, 4))


def _stars(seed: int, count: int, ellipticity: float = 0.1) -> np.ndarray:
    """Columns x, y, angle, ellipticity of stars over the field, of any direction."""
    rng = np.random.default_rng(seed)
    return np.c_[
        rng.uniform(0, SHAPE[1], count),
        rng.uniform(0, SHAPE[0], count),
        rng.uniform(-np.pi / 2, np.pi / 2, count),
        np.clip(rng.normal(ellipticity, 0.05, count), 0, 0.95),
    ]


def _trail(seed: int, count: int, middle: tuple[float, float], angle_deg: float) -> np.ndarray:
    """Detections along a line through the field, a pixel off it and some degrees out of line."""
    rng = np.random.default_rng(seed)
    angle = np.radians(angle_deg)
    along, across = rng.uniform(-2000, 2000, count), rng.normal(0, 1, count)
    turned = angle + rng.normal(0, np.radians(2), count)
    return np.c_[
        middle[0] + along * np.cos(angle) - across * np.sin(angle),
        middle[1] + along * np.sin(angle) + across * np.cos(angle),
        np.mod(turned + np.pi / 2, np.pi) - np.pi / 2,
        rng.uniform(0.6, 0.9, count),
    ]


def _found(*parts: np.ndarray) -> list[np.ndarray]:
    """Return for each part which of its detections are on a trail."""
    x, y, angle, ellipticity = np.concatenate(parts).T
    trail = on_trails(x, y, angle, ellipticity, SHAPE)
    return np.split(trail, np.cumsum([len(part) for part in parts])[:-1])


@pytest.mark.parametrize("angle", [0.0, 25.0, 45.0, 88.0, 90.0, 135.0, 179.0])
def test_detections_of_a_trail_are_found(angle):
    """All detections along a line are found in any direction, and no round star."""
    stars, trail = _found(_stars(1, 1500), _trail(2, 150, (2300, 1700), angle))
    assert trail.all()
    assert not stars.any()


def test_stars_near_a_trail_stay():
    """Round stars in the line are kept: a trail is told by its own elongated detections."""
    stars = _trail(3, 60, (2300, 1700), 30.0)
    stars[:, 3] = 0.1
    near, trail = _found(stars, _trail(4, 150, (2300, 1700), 30.0))
    assert trail.all()
    assert not near.any()


def test_trailed_stars_are_no_trail():
    """Where the mount failed, all stars are long in one direction, and all are kept."""
    for seed in range(10):
        stars = _stars(10 + seed, 1200, 0.7)
        stars[:, 2] = np.radians(20.0 * seed) + np.random.default_rng(seed).normal(0, 0.03, 1200)
        (found,) = _found(stars)
        assert not found.any()


def test_a_trail_over_trailed_stars_is_found():
    """A trail through a trailed sub is found if its direction is another."""
    stars = _stars(5, 400, 0.6)
    stars[:, 2] = np.radians(10) + np.random.default_rng(6).normal(0, 0.03, 400)
    kept, trail = _found(stars, _trail(7, 450, (2000, 1500), 70.0))
    assert trail.mean() > 0.99
    assert kept.mean() < 0.01


def test_two_crossing_trails_are_found():
    """Two trails that cross are both found, one or the other first."""
    stars, one, other = _found(
        _stars(8, 1500), _trail(9, 150, (2300, 1700), 20.0), _trail(10, 80, (2300, 1700), 100.0)
    )
    assert one.all()
    assert other.all()
    assert not stars.any()


def test_two_parallel_trails_are_found():
    """Two trails of one direction side by side are both found."""
    one, other = _found(_trail(11, 150, (2300, 1200), 20.0), _trail(12, 80, (2300, 2400), 20.0))
    assert one.all()
    assert other.all()


def test_a_field_of_random_elongated_detections_has_no_trail():
    """Long detections of any direction anywhere - galaxies, blends - are kept."""
    for seed in range(20):
        (found,) = _found(_stars(30 + seed, 2000, 0.6))
        assert not found.any()


@pytest.mark.parametrize("count", [0, 1, 11])
def test_few_detections_are_no_trail(count):
    """A dozen detections make a trail; fewer, or none, do not."""
    stars, trail = _found(NOTHING, _trail(13, count, (2300, 1700), 20.0))
    assert len(stars) == 0
    assert trail.shape == (count,)
    assert not trail.any()


def test_order_does_not_matter():
    """Shuffled detections give the shuffled answer."""
    everything = np.concatenate([_stars(14, 1000), _trail(15, 100, (2300, 1700), 77.0)])
    order = np.random.default_rng(16).permutation(len(everything))
    (found,), (shuffled,) = _found(everything), _found(everything[order])
    np.testing.assert_array_equal(found[order], shuffled)
