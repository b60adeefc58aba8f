import numpy as np
import pytest

from platelib.numerics.mask_bits import BAD, LIMITED, SHARP, SPIKE
from platelib.numerics.transform import Transform, normalisation
from platelib.resampling.resample import Cutout, resample, source_window
from platelib.resampling.sharp_pixels import curvature_of_star, with_sharp

SHAPE = (90, 131)
SKY_NOISE = 10.0


def _moved(dx=0.0, dy=0.0, angle_deg=0.0, shape=SHAPE) -> Transform:
    """A shift and a turn about the centre of the grid."""
    cx, cy, half = normalisation(shape)
    cos, sin = (half * f(np.radians(angle_deg)) for f in (np.cos, np.sin))
    return Transform(1, cx, cy, half, np.array([cx + dx, cos, -sin]), np.array([cy + dy, sin, cos]))


def _crowd(gaussians, fwhm: float, flux: float, noisy: bool = True, shape=SHAPE):
    """Stars at random places, with sky noise: image and variance."""
    rng = np.random.default_rng(5)
    count = shape[0] * shape[1] // 700
    x, y = (rng.uniform(12, n - 13, count) for n in shape[::-1])
    light = gaussians(x, y, fwhm, flux, shape)
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
def test_values_equal_the_formula(angle, gaussians):
    """Where light is sharp, values are those of the slow, obvious way, to 2e-5 of the peak."""
    image, variance = _crowd(gaussians, 1.3, 2e5)
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
def test_light_is_kept_without_dark_rings(fwhm, gaussians):
    """A shift by part of a pixel keeps the sum of sharp stars to 1e-5; nothing falls below 0."""
    for dx, dy in ((0.5, 0.5), (0.25, 0.4), (0.9, 0.1)):
        if fwhm == 0.0:
            image = np.zeros(SHAPE, dtype=np.float32)
            image[20::25, 20::25] = 5e4
        else:
            image, _ = _crowd(gaussians, fwhm, 1e5, noisy=False)
        values, _ = _resampled(image, np.ones_like(image), _moved(dx, dy))
        values = values[5:-5, 5:-5]
        assert np.isfinite(values).all()
        assert values.sum() == pytest.approx(image.sum(), rel=1e-5)
        assert values.min() > -1e-5 * image.max()


def test_lanczos_alone_would_ring(gaussians):
    """The same stars, with variances that hide what is sharp, fall below 0 by 1 % of the peak."""
    image, _ = _crowd(gaussians, 1.2, 1e5, noisy=False)
    values, _ = _resampled(image, np.full_like(image, 1e12), _moved(0.25, 0.4))
    assert np.nanmin(values) < -0.01 * image.max()


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
def test_tiles_equal_the_whole(angle, gaussians):
    """Tiles, each from the part of the frame that is named for it, are the whole bit for bit."""
    shape = (110, 640)
    image, variance = _crowd(gaussians, 1.2, 3e5, shape=shape)
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
