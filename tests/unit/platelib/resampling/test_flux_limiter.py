import numpy as np
import pytest

from platelib.numerics.mask_bits import BAD
from platelib.numerics.transform import Transform, normalisation
from platelib.resampling.flux_limiter import LIMITED, SHARP, SPIKE, curvature_of_star, with_sharp
from platelib.resampling.resample import Cutout, resample, source_window

SHAPE = (90, 131)
SKY_NOISE = 10.0


def _moved(dx=0.0, dy=0.0, angle_deg=0.0, shape=SHAPE) -> Transform:
    """A shift and a turn about the centre of the grid."""
    cx, cy, half = normalisation(shape)
    cos, sin = (half * f(np.radians(angle_deg)) for f in (np.cos, np.sin))
    return Transform(1, cx, cy, half, np.array([cx + dx, cos, -sin]), np.array([cy + dy, sin, cos]))


def _gaussians(x, y, fwhm: float, flux: float, shape=SHAPE) -> np.ndarray:
    """Stars integrated over pixels, in fine steps."""
    steps = 8
    light = np.zeros(shape)
    rows, columns = ((np.arange(n * steps) + 0.5) / steps - 0.5 for n in shape)
    for u, v in zip(x, y, strict=True):
        across, down = (
            np.exp(-((at - centre) ** 2) / 2 / (fwhm / 2.3548) ** 2).reshape(-1, steps).mean(axis=1)
            for at, centre in ((columns, u), (rows, v))
        )
        light += flux * np.outer(down / down.sum(), across / across.sum())
    return light


def _crowd(fwhm: float, flux: float, noisy: bool = True, shape=SHAPE):
    """Stars at random places, with sky noise: image and variance."""
    rng = np.random.default_rng(5)
    count = shape[0] * shape[1] // 700
    x, y = (rng.uniform(12, n - 13, count) for n in shape[::-1])
    light = _gaussians(x, y, fwhm, flux, shape)
    variance = light + SKY_NOISE**2
    noise = rng.normal(0, 1, shape) * np.sqrt(variance) if noisy else 0.0
    return (light + noise).astype(np.float32), variance.astype(np.float32)


def _resampled(image, variance, transform, mask=None, missing=None):
    mask = np.zeros(image.shape, dtype=np.uint8) if mask is None else mask
    source = Cutout(image, variance, mask, 0, 0, image.shape)
    tile = (0, image.shape[0]), (0, image.shape[1])
    return resample(source, transform, *tile, missing=missing)


def _marks(image, variance, fwhm=np.nan) -> np.ndarray:
    mask = np.zeros(image.shape, dtype=np.uint8)
    return with_sharp(image, variance, mask, curvature_of_star(fwhm))


def _lanczos(fraction: np.ndarray) -> np.ndarray:
    distance = fraction[..., None] - np.arange(-2, 4)
    raw = np.sinc(distance) * np.sinc(distance / 3) * (np.abs(distance) < 3)
    return raw / raw.sum(axis=-1, keepdims=True)


def _keys(fraction: np.ndarray) -> np.ndarray:
    """Weights of Keys (1981), equation 15, with a = -1/2."""
    s = np.abs(fraction[..., None] - np.arange(-2, 4))
    near, far = 1.5 * s**3 - 2.5 * s**2 + 1, -0.5 * s**3 + 2.5 * s**2 - 4 * s + 2
    return np.where(s < 1, near, np.where(s < 2, far, 0.0))


def _interpolated(taps, fraction, limits_behind, limits_ahead) -> np.ndarray:
    """Interpolate between the middle two of six, flux by flux: the slow, obvious way."""
    straight = np.stack([1 - fraction, fraction], axis=-1)
    cells = [(straight * taps[..., k : k + 2]).sum(axis=-1) for k in range(5)]
    has = [cells[k] - taps[..., k : k + 2].min(axis=-1) for k in range(5)]
    for k in (1, 2, 3):
        is_lowest = (cells[k - 1] > cells[k]) & (cells[k + 1] > cells[k])
        has[k] = np.where(is_lowest, has[k] / 2, has[k])

    def flux(first: int, weights: np.ndarray) -> np.ndarray:
        """What flows from the sample whose pixels begin at ``first`` to the next."""
        beyond = weights - np.eye(6)[2] * straight[..., :1] - np.eye(6)[3] * straight[..., 1:]
        before = np.cumsum(beyond, axis=-1)[..., :5]
        return (before * taps[..., first + 1 : first + 6]).sum(axis=-1)

    def held(first: int, limits) -> np.ndarray:
        free = flux(first, _lanczos(fraction))
        soft = flux(first, 0.625 * _lanczos(fraction) + 0.375 * _keys(fraction))
        left, right = cells[first + 2], cells[first + 3]
        forth = np.where(right > left, has[first + 2], 0)
        back = np.where(left > right, has[first + 3], 0)
        return np.where(limits, np.clip(soft, -back, forth), free)

    return cells[2] + held(-1, limits_behind) - held(0, limits_ahead)


def _by_formula(image, transform, marks) -> np.ndarray:
    """Resample all places by `_interpolated`: six columns, then across; NaN near the edge."""
    ny, nx = image.shape
    rows, columns = np.indices(image.shape)
    x, y = transform(columns, rows)
    ix, iy = np.floor(x).astype(int), np.floor(y).astype(int)
    inside = (ix >= 3) & (ix < nx - 4) & (iy >= 3) & (iy < ny - 4)
    x, y, ix, iy = (np.where(inside, plane, 5) for plane in (x, y, ix, iy))
    limits = marks & LIMITED > 0
    taps = np.arange(-2, 4)
    seen = image.astype(float)
    across = np.stack(
        [
            _interpolated(
                np.stack([seen[iy + v, ix + u] for v in taps], axis=-1),
                y - iy,
                limits[iy - 1, ix + u],
                limits[iy, ix + u],
            )
            for u in taps
        ],
        axis=-1,
    )
    values = _interpolated(across, x - ix, limits[iy, ix - 1], limits[iy, ix])
    return np.where(inside, values, np.nan)


@pytest.mark.parametrize("angle", [0.0, 0.3, 4.0, 33.0])
def test_values_equal_the_formula(angle):
    """Where light is sharp, values are those of the slow, obvious way, to 2e-5 of the peak."""
    image, variance = _crowd(1.3, 2e5)
    image[40, 60] = 6e4
    transform = _moved(0.37, -0.21, angle)
    values, _ = _resampled(image, variance, transform)
    marks = _marks(image, variance)
    rows, columns = np.indices(SHAPE)
    x, y = (np.floor(at).astype(int) for at in transform(columns, rows))
    inside = (x >= 3) & (x < SHAPE[1] - 4) & (y >= 3) & (y < SHAPE[0] - 4)
    sharp = np.zeros(SHAPE, dtype=bool)
    sharp[inside] = marks[y[inside], x[inside]] & SHARP > 0
    assert sharp.sum() > 500
    expected = _by_formula(image, transform, marks)
    assert np.abs(values - expected)[sharp].max() < 2e-5 * image.max()


@pytest.mark.parametrize("fwhm", [0.0, 1.0, 1.2, 1.35, 1.5])
def test_light_is_kept_without_dark_rings(fwhm):
    """A shift by part of a pixel keeps the sum of sharp stars to 1e-5; nothing falls below 0."""
    for dx, dy in ((0.5, 0.5), (0.25, 0.4), (0.9, 0.1)):
        if fwhm == 0.0:
            image = np.zeros(SHAPE, dtype=np.float32)
            image[20::25, 20::25] = 5e4
        else:
            image, _ = _crowd(fwhm, 1e5, noisy=False)
        values, _ = _resampled(image, np.ones_like(image), _moved(dx, dy))
        values = values[5:-5, 5:-5]
        assert np.isfinite(values).all()
        assert values.sum() == pytest.approx(image.sum(), rel=1e-5)
        assert values.min() > -1e-5 * image.max()


def test_lanczos_alone_would_ring():
    """The same stars, with variances that hide what is sharp, fall below 0 by 1 % of the peak."""
    image, _ = _crowd(1.2, 1e5, noisy=False)
    values, _ = _resampled(image, np.full_like(image, 1e12), _moved(0.25, 0.4))
    assert np.nanmin(values) < -0.01 * image.max()


@pytest.mark.parametrize(("fwhm", "share"), [(1.0, 1.0), (1.4, 0.95), (2.1, 0.0), (3.0, 0.0)])
def test_what_is_sharp(fwhm, share):
    """Bright stars up to 1.4 pixels FWHM are marked, stars from 2.1 on and noise are not."""
    shape = (200, 231)
    x, y = np.meshgrid(np.arange(20.0, 211, 17), np.arange(20.0, 181, 17))
    rng = np.random.default_rng(7)
    x, y = (at.ravel() + rng.uniform(-0.5, 0.5, at.size) for at in (x, y))
    light = _gaussians(x, y, fwhm, 1e5, shape)
    variance = (light + SKY_NOISE**2).astype(np.float32)
    image = light + rng.normal(0, 1, shape) * np.sqrt(variance)
    marks = _marks(image.astype(np.float32), variance)
    found = [marks[round(v), round(u)] & SHARP > 0 for u, v in zip(x, y, strict=True)]
    assert np.mean(found) >= share - 0.001
    assert np.mean(found) <= share + 0.05
    sky = light < 1e-3
    assert (marks[sky] > 0).mean() < 0.5 * share + 1e-3


def test_edges_and_hot_pixels_at_the_rim_are_sharp():
    """A burnt core's edge, a dark column's side and hot pixels in the corners are marked."""
    image = np.zeros(SHAPE, dtype=np.float32)
    image[30:40, 30:40] = 6e4
    image[0, 0] = image[-1, -1] = image[50, -1] = 5e3
    marks = _marks(image, np.full(SHAPE, SKY_NOISE**2, dtype=np.float32))
    for y, x in ((30, 35), (39, 35), (35, 30), (35, 39), (0, 0), (-1, -1), (50, -1)):
        assert marks[y, x] & SHARP
        assert marks[y, x] & LIMITED
    assert not marks[35, 70]


def test_nothing_sharp_costs_no_mask():
    """In pure noise no light is limited; the mask comes back as it is where nothing stands out."""
    image = np.random.default_rng(9).normal(100, 5, (300, 400)).astype(np.float32)
    mask, variance = np.zeros(image.shape, dtype=np.uint8), np.full_like(image, 25)
    curvature = curvature_of_star(2.5)
    assert not (with_sharp(image, variance, mask, curvature) & (LIMITED | SHARP)).any()
    smooth = np.clip(image, 85, 115)
    assert with_sharp(smooth, variance, mask, curvature) is mask


@pytest.mark.parametrize("fwhm", [1.2, 1.7, 2.5, 4.0, 6.0])
def test_stars_of_the_sub_are_no_spikes(fwhm):
    """Neither a bright star nor a faint one is a spike, wherever it lies between pixels."""
    x, y = np.meshgrid(np.arange(12, 120, 17.1), np.arange(12, 80, 17.1))
    for flux in (2e3, 2e4, 1e6):
        light = _gaussians(x.ravel(), y.ravel(), fwhm, flux)
        marks = _marks(light.astype(np.float32), (light + 100).astype(np.float32), fwhm)
        assert not (marks & SPIKE).any()


@pytest.mark.parametrize("fwhm", [np.nan, 1.7, 2.5, 4.0, 6.0])
def test_lone_pixels_are_spikes(fwhm):
    """Lone pixels of 10 sigma are found, on stars of 30 sigma too where these are sampled well."""
    rng = np.random.default_rng(12)
    light = np.zeros(SHAPE)
    if fwhm >= 2.5:
        light = _gaussians(np.arange(10, 125, 24), np.full(5, 44.0), fwhm, 40 * 30 * fwhm**2)
    variance = (light + SKY_NOISE**2).astype(np.float32)
    places = [(y, x) for y in (20, 44, 70) for x in range(10, 125, 24)]
    found = 0
    for _ in range(20):
        image = light + rng.normal(0, 1, SHAPE) * np.sqrt(variance)
        spread = variance.copy()
        for y, x in places:
            height = 10 * np.sqrt(variance[y, x])
            image[y, x] += height
            spread[y, x] += height
        marks = _marks(image.astype(np.float32), spread, fwhm)
        found += sum((marks[y - 1 : y + 1, x - 1 : x + 1] & SPIKE).all() for y, x in places)
        assert (marks & SPIKE > 0).sum() <= 4 * len(places) + 8
    assert found >= 0.97 * 20 * len(places)


def test_curvature_of_star_is_that_of_a_drawn_one():
    """It is the second difference over the fall of a Gaussian that is a tenth narrower."""
    for fwhm in (1.5, 2.4, 5.0):
        star = _gaussians([60], [40], 0.9 * fwhm, 1.0)
        fall = star[40, 60] - star[40, 58]
        drawn = (2 * star[40, 60] - star[40, 59] - star[40, 61]) / fall
        assert curvature_of_star(fwhm) == pytest.approx(drawn, rel=0.01)
    assert curvature_of_star(np.nan) == curvature_of_star(1.8)


@pytest.mark.parametrize("angle", [0.1, 30.0, 90.0, 179.9])
def test_samples_beside_a_spike_say_so(angle):
    """The samples whose four nearest pixels hold the spike are marked, and no other."""
    image = np.full(SHAPE, 100, dtype=np.float32)
    image[41, 60] += 500
    transform = _moved(0.4, -0.3, angle)
    missing = np.empty(SHAPE, dtype=np.uint8)
    _resampled(image, np.full_like(image, SKY_NOISE**2), transform, missing=missing)
    rows, columns = np.mgrid[: SHAPE[0], : SHAPE[1]]
    x, y = transform(columns.ravel(), rows.ravel())
    beside = (np.abs(x - 60) < 1) & (np.abs(y - 41) < 1)
    np.testing.assert_array_equal(missing.ravel() == SPIKE, beside)
    assert 3 <= beside.sum() <= 5


@pytest.mark.parametrize("angle", [0.2, 2.0, 30.0, 90.2, 180.3])
def test_tiles_equal_the_whole(angle):
    """Tiles, each from the part of the frame that is named for it, are the whole bit for bit."""
    shape = (110, 640)
    image, variance = _crowd(1.2, 3e5, shape=shape)
    rng = np.random.default_rng(11)
    image[rng.integers(0, 110, 300), rng.integers(0, 640, 300)] += 3e4
    mask = (rng.random(shape) < 0.01).astype(np.uint8) * BAD
    before = mask.copy()
    transform = _moved(0.37, -0.61, angle, shape)
    marks = np.empty(shape, dtype=np.uint8)
    whole = _resampled(image, variance, transform, mask, marks)
    assert (marks == SPIKE).any()
    np.testing.assert_array_equal(mask, before)
    for rows in ((0, 41), (41, 42), (42, 110)):
        for columns in ((0, 309), (309, 315), (315, 640)):
            (top, bottom), (left, right) = (
                (max(0, first), min(size, last))
                for (first, last), size in zip(
                    source_window(transform, rows, columns), shape, strict=True
                )
            )
            if bottom <= top or right <= left:
                continue
            planes = (
                np.ascontiguousarray(p[top:bottom, left:right]) for p in (image, variance, mask)
            )
            source = Cutout(*planes, top, left, shape)
            missing = np.full((rows[1] - rows[0], columns[1] - columns[0]), 9, dtype=np.uint8)
            tile = resample(source, transform, rows, columns, missing=missing)
            for part, plane in zip(tile, whole, strict=True):
                np.testing.assert_array_equal(part, plane[slice(*rows), slice(*columns)])
                np.testing.assert_array_equal(missing == BAD, np.isnan(part))
            np.testing.assert_array_equal(missing, marks[slice(*rows), slice(*columns)])
