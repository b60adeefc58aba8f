from dataclasses import dataclass

import astroalign
import numpy as np
import pytest

from platelib.numerics.transform import Transform
from platelib.registration.match import GridStars, NoMatch

SHAPE = (2800, 4200)
CORNERS = np.array([[0.0, 0.0], [4199, 0], [0, 2799], [4199, 2799]])
CENTRE = np.array([2099.5, 1399.5])


@dataclass(frozen=True)
class Case:
    """How a sub's stars differ from the grid's."""

    stars: int = 200
    angle_deg: float = 0.0
    scale: float = 1.0
    spurious: float = 0.3
    missing: float = 0.2
    shift: float = 0.0
    mirrored: bool = False


HARD = {
    "plain": Case(),
    "turned by 37 deg": Case(angle_deg=37),
    "turned by 180 deg": Case(angle_deg=180),
    "half the scale": Case(scale=0.5),
    "larger and turned": Case(angle_deg=37, scale=1.2),
    "8 stars": Case(stars=8, angle_deg=0.3, spurious=0, missing=0),
    "15 stars": Case(stars=15, angle_deg=180, spurious=0.2, missing=0.1),
    "40 stars, half spurious": Case(stars=40, angle_deg=37, spurious=0.5, missing=0),
    "half spurious, 40 % missing": Case(spurious=0.5, missing=0.4),
    "1000 stars": Case(stars=1000, angle_deg=180),
    "5000 stars": Case(stars=5000, angle_deg=37),
    "shifted by 30 %": Case(shift=0.3),
    "shifted, turned, half the scale": Case(angle_deg=37, scale=0.5, shift=0.3),
}


def _lists(case: Case, seed: int):
    """Return the grid's stars, the sub's stars and the true map, with 0.1 px of noise.

    A sub's frame cuts what the shift and turn carry out of it; both lists are in the order of
    brightness, known to 0.1 mag.
    """
    rng = np.random.default_rng(seed)
    size = np.array([SHAPE[1], SHAPE[0]])
    margin = case.shift * size
    count = round(case.stars * (1 + case.shift) ** 2)
    sky = rng.uniform(-margin, size, (count, 2))
    magnitude = -rng.exponential(1.1, count)
    angle = np.radians(case.angle_deg)
    turn = case.scale * np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
    if case.mirrored:
        turn = turn @ np.diag([1.0, -1.0])

    def true_map(xy):
        return (xy - CENTRE) @ turn.T + case.scale * (CENTRE + margin)

    raw = true_map(sky)
    seen = rng.random(count) >= case.missing
    if case.angle_deg in (0, 180):
        seen &= ((raw >= 0) & (raw < case.scale * size)).all(axis=1)
    raw, raw_magnitude = raw[seen], magnitude[seen]
    false = round(len(raw) * case.spurious / (1 - case.spurious))
    raw = np.r_[raw, rng.uniform(raw.min(axis=0), raw.max(axis=0), (false, 2))]
    raw_magnitude = np.r_[raw_magnitude, -rng.exponential(1.1, false)]
    inside = (sky >= 0).all(axis=1)
    lists = []
    for xy, mag in ((sky[inside], magnitude[inside]), (raw, raw_magnitude)):
        order = np.argsort(mag + rng.normal(0, 0.1, len(mag)), kind="stable")
        lists.append((xy + rng.normal(0, 0.1, xy.shape))[order])
    return lists[0], lists[1], true_map


def _match(grid, raw, min_matches=6, max_degree=1):
    return GridStars(grid, np.ones(len(grid)), SHAPE, max_degree).match(raw, min_matches)


def _at(transform: Transform, xy: np.ndarray) -> np.ndarray:
    return np.stack(transform(xy[:, 0], xy[:, 1]), axis=1)


def _distorted(seed: int, count: int, bend: float, barrel: float):
    """Stars, their distorted places with 0.05 px of noise, and the distortion."""
    rng = np.random.default_rng(seed)

    def true_map(xy):
        u = (xy - CENTRE) / 2100
        square = (u**2).sum(axis=1, keepdims=True)
        return xy + [5.0, 3.0] + bend * np.c_[u[:, 0] ** 2, u[:, 0] * u[:, 1]] + barrel * u * square

    grid = rng.uniform(0, 1, (count, 2)) * [4200, 2800]
    raw = true_map(grid) + rng.normal(0, 0.05, grid.shape)
    return grid + rng.normal(0, 0.05, grid.shape), raw, true_map


@pytest.mark.parametrize("name", HARD)
def test_hard_cases_all_succeed(name):
    """Turned, scaled, shifted, sparse, crowded and spoilt lists are matched, every one of 20."""
    for seed in range(20):
        grid, raw, true_map = _lists(HARD[name], seed)
        match = _match(grid, raw)
        assert np.abs(_at(match.transform, CORNERS) - true_map(CORNERS)).max() < 1.0, seed


def test_mirrored_fields_are_matched():
    """A field seen in a mirror is matched, at any angle."""
    for seed in range(20):
        grid, raw, true_map = _lists(Case(angle_deg=17.0 * seed, mirrored=True), seed)
        match = _match(grid, raw)
        assert np.abs(_at(match.transform, CORNERS) - true_map(CORNERS)).max() < 1.0, seed


@pytest.mark.parametrize(
    ("count", "trials"), [(8, 40), (20, 40), (50, 40), (100, 40), (300, 30), (1000, 10)]
)
def test_unrelated_lists_are_refused(count, trials):
    """Lists that show different fields never match, whatever the degree: 200 of 200."""
    for seed in range(195, 195 + trials):
        rng = np.random.default_rng(1000 * count + seed)
        grid, raw = (rng.uniform(0, 1, (count + k, 2)) * [4200, 2800] for k in (0, seed % 5))
        with pytest.raises(NoMatch, match="no match with the reference|stars to match"):
            _match(grid, raw, 6 if seed % 2 else 8, 1 + seed % 3)


def test_two_stars_are_not_enough():
    """Fewer than three stars are refused in their own words."""
    with pytest.raises(NoMatch, match="only 2 stars to match"):
        _match(np.ones((2, 2)), np.ones((50, 2)))


def test_fewer_matches_than_wanted_are_refused():
    """A right match with too few stars says how many agreed."""
    grid, raw, _ = _lists(HARD["15 stars"], 1)
    with pytest.raises(NoMatch, match=r"no match with the reference: \d+ of \d+ stars agree"):
        _match(grid, raw, min_matches=16)


def test_astroalign_agrees():
    """On an easy field astroalign.find_transform leads to the same places to 0.1 px."""
    for seed in range(5):
        grid, raw, _ = _lists(Case(angle_deg=2.0, spurious=0.1, missing=0.1), seed)
        other, _ = astroalign.find_transform(grid, raw)
        places = np.random.default_rng(seed).uniform(0, 1, (50, 2)) * [4200, 2800]
        ours = _at(_match(grid, raw).transform, places)
        assert np.sqrt(np.mean(np.sum((ours - other(places)) ** 2, axis=1))) < 0.1


@pytest.mark.parametrize(("count", "most"), [(60, 0.05), (200, 0.03), (1000, 0.012)])
def test_accuracy_against_truth(count, most):
    """With 0.07 px of noise a star the whole field is right to a few hundredths of a pixel."""
    x, y = np.meshgrid(np.linspace(0, 4199, 21), np.linspace(0, 2799, 15))
    field = np.c_[x.ravel(), y.ravel()]
    for seed in range(5):
        grid, raw, true_map = _distorted(seed, count, 0.0, 0.0)
        match = _match(grid, raw, 8, 3)
        error = _at(match.transform, field) - true_map(field)
        assert np.sqrt(np.mean(np.sum(error**2, axis=1))) < most
        assert match.rms_px == pytest.approx(0.1, rel=0.25)


@pytest.mark.parametrize("count", [30, 60, 100, 400])
@pytest.mark.parametrize(("bend", "barrel", "degree"), [(0, 0, 1), (1.5, 0, 2), (0, 2.0, 3)])
def test_degree_rises_with_real_distortion_only(count, bend, barrel, degree):
    """The degree is that of the distortion, where there are stars enough to tell."""
    degrees = []
    for seed in range(10):
        grid, raw, true_map = _distorted(seed, count, bend, barrel)
        match = _match(grid, raw, 8, 3)
        degrees.append(match.transform.degree)
        if count >= 60:
            error = _at(match.transform, grid) - true_map(grid)
            assert np.sqrt(np.mean(error**2)) < 0.1
    if count < 40 and degree == 3:
        assert max(degrees) <= 2
    else:
        assert np.mean(np.array(degrees) == degree) >= 0.9
        assert min(degrees) == degree


def test_degree_is_limited():
    """A distortion is not followed beyond the highest degree allowed."""
    grid, raw, _ = _distorted(1, 300, 0.0, 2.0)
    assert _match(grid, raw, 8, 2).transform.degree <= 2


def test_matched_stars_are_the_same_stars():
    """Indices pair stars that are truly one, each once."""
    grid, raw, true_map = _lists(Case(angle_deg=37), 3)
    match = _match(grid, raw)
    assert len(set(match.grid_index)) == len(set(match.raw_index)) == len(match.grid_index)
    distance = np.hypot(*(true_map(grid[match.grid_index]) - raw[match.raw_index]).T)
    assert distance.max() < 1.0
    assert len(match.grid_index) > 0.75 * len(grid)


def test_order_of_the_fainter_stars_does_not_matter():
    """Shuffling the stars beyond the brightest 120 changes nothing but the indices."""
    grid, raw, _ = _lists(Case(stars=400, angle_deg=37), 4)
    rng = np.random.default_rng(5)
    order = [np.r_[:120, 120 + rng.permutation(len(xy) - 120)] for xy in (grid, raw)]
    one, other = _match(grid, raw), _match(grid[order[0]], raw[order[1]])
    np.testing.assert_allclose(
        _at(one.transform, CORNERS), _at(other.transform, CORNERS), atol=2e-6
    )
    assert set(one.grid_index) == set(order[0][other.grid_index])
    assert set(one.raw_index) == set(order[1][other.raw_index])


def test_brightness_needs_no_precision():
    """Lists whose bright stars are in another order are matched as well."""
    grid, raw, _ = _lists(Case(angle_deg=37), 6)
    rng = np.random.default_rng(7)
    order = np.argsort(np.arange(len(raw)) + rng.normal(0, 5, len(raw)))
    one, other = _match(grid, raw), _match(grid, raw[order])
    np.testing.assert_allclose(
        _at(one.transform, CORNERS), _at(other.transform, CORNERS), atol=1e-4
    )


def test_one_grid_serves_many_subs():
    """Stars of a grid that were matched before give the same match as for the first time."""
    grid, raw, _ = _lists(HARD["turned by 37 deg"], 11)
    _, other, _ = _lists(HARD["turned by 37 deg"], 12)
    stars = GridStars(grid, np.ones(len(grid)), SHAPE, 3)
    with pytest.raises(NoMatch):
        stars.match(other, 8)
    again, first = stars.match(raw, 8), _match(grid, raw, 8, 3)
    np.testing.assert_array_equal(again.transform.x, first.transform.x)
    np.testing.assert_array_equal(again.raw_index, first.raw_index)


def _deep_and_short(seed: int):
    """Stars of a deep grid and of a short sub: what is bright in the sub is saturated in the grid.

    Returns good and saturated stars of both, brightest first, and the shift between them.
    """
    rng = np.random.default_rng(seed)
    sky, shift = rng.uniform(0, 1, (900, 2)) * [4200, 2800], np.array([31.0, -17.0])
    grid, raw = (sky + rng.normal(0, 0.08, sky.shape) for _ in range(2))
    raw += shift
    # Another filter: the order of brightness differs by some tenths of a magnitude.
    order = np.argsort(np.arange(900) + rng.normal(0, 20, 900))
    grid[:180] += rng.normal(0, 0.3, (180, 2))
    return grid[180:], grid[:180], raw[order[:260]], raw[:0], shift


def test_saturated_stars_take_part_in_patterns():
    """A deep grid and a short sub that share none of their bright unsaturated stars are matched.

    The fit rests on stars that are saturated in neither.
    """
    for seed in range(10):
        grid, grid_saturated, raw, raw_saturated, shift = _deep_and_short(seed)
        stars = GridStars(grid, np.ones(len(grid)), SHAPE, 1, grid_saturated)
        match = stars.match(raw, 8, raw_saturated)
        assert np.abs(_at(match.transform, CORNERS) - CORNERS - shift).max() < 0.15
        assert 60 <= len(match.grid_index) <= 120
        assert match.grid_index.max() < len(grid)


def test_saturated_stars_carry_the_fit_where_others_are_too_few():
    """With three stars that are saturated in neither list, the saturated ones serve as well."""
    grid, grid_saturated, raw, _, shift = _deep_and_short(3)
    stars = GridStars(grid, np.ones(len(grid)), SHAPE, 1, grid_saturated)
    bright = raw[np.argsort(np.hypot(*(raw - raw.mean(axis=0)).T))][:3]
    match = stars.match(bright, 8, raw[:150])
    assert np.abs(_at(match.transform, CORNERS) - CORNERS - shift).max() < 0.5
    assert match.grid_index.max() >= len(grid)


def test_unrelated_lists_with_saturated_stars_are_refused():
    """Saturated stars make no match between different fields: 12 of 12 are refused."""
    for seed in range(12):
        grid, grid_saturated, *_ = _deep_and_short(seed)
        _, _, raw, _, _ = _deep_and_short(seed + 1000)
        stars = GridStars(grid, np.ones(len(grid)), SHAPE, 1 + seed % 3, grid_saturated)
        with pytest.raises(NoMatch, match="which may be coincidence"):
            stars.match(raw[20:], 6, raw[:20])


def test_a_cluster_is_matched_though_it_fills_little_of_the_frame():
    """18 of 22 stars close to each other, in a field of 700, are a match."""
    for seed in range(10):
        rng = np.random.default_rng(seed)
        grid = rng.uniform(0, 1, (700, 2)) * [4200, 2800]
        middle = np.argsort(np.hypot(*(grid - CENTRE).T))[:18]
        false = CENTRE + rng.uniform(-250, 250, (4, 2))
        raw = np.r_[grid[middle] + rng.normal(0, 0.3, (18, 2)), false] + [40.0, 25.0]
        order = rng.permutation(22)
        match = _match(np.r_[grid[middle], np.delete(grid, middle, axis=0)], raw[order], 8)
        assert len(match.grid_index) >= 16
        assert np.abs(_at(match.transform, CENTRE[None]) - CENTRE - [40, 25]).max() < 0.5


def test_match_near_a_known_transform():
    """Near a transform that is right to some pixels the match is found without patterns."""
    grid, raw, _ = _lists(Case(stars=6, spurious=0, missing=0), 2)
    stars = GridStars(grid, np.ones(len(grid)), SHAPE, 3)
    scale = 2100.0
    near = Transform(
        1, *CENTRE, scale, np.array([2102.0, scale, 0.0]), np.array([1397.0, 0.0, scale])
    )
    match = stars.match_near(near, raw, 5)
    assert len(match.grid_index) >= 5
    far = Transform(1, *CENTRE, scale, near.x + [900.0, 0, 0], near.y)
    assert stars.match_near(far, raw, 5) is None


def test_too_few_matches_name_the_key():
    """Where stars agree beyond chance but are too few, the key that asks for more is named."""
    grid, raw, _ = _lists(HARD["15 stars"], 1)
    with pytest.raises(NoMatch, match="limit at least 16 .registration.min_matches"):
        _match(grid, raw, min_matches=16)


def test_matching_is_deterministic():
    """The same lists give the same bits."""
    grid, raw, _ = _lists(HARD["shifted by 30 %"], 8)
    one, other = _match(grid, raw, 8, 3), _match(grid.copy(), raw.copy(), 8, 3)
    np.testing.assert_array_equal(one.transform.x, other.transform.x)
    np.testing.assert_array_equal(one.transform.y, other.transform.y)
    np.testing.assert_array_equal(one.grid_index, other.grid_index)


def test_weights_favour_good_stars():
    """Stars with large errors and small weights spoil nothing."""
    grid, raw, true_map = _distorted(9, 300, 0.0, 0.0)
    rng = np.random.default_rng(10)
    raw[150:] += rng.normal(0, 0.4, (150, 2))
    weights = np.where(np.arange(300) < 150, 1 / 0.07**2, 1 / 0.4**2)
    match = GridStars(grid, weights, SHAPE, 1).match(raw, 8)
    assert np.abs(_at(match.transform, CORNERS) - true_map(CORNERS)).max() < 0.05
