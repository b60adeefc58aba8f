from dataclasses import replace

import numpy as np
import pytest
from unit.platelib.resampling.noise_of_sums import correlation_factor

from platelib.background.measure_mesh import sky_mesh
from platelib.bad_pixels.interpolate import interpolate_bad_pixels
from platelib.calibration.calibrate import Detector, calibrate
from platelib.calibration.correction import Correction
from platelib.detection.star_finder import find_stars
from platelib.numerics.mask_bits import BAD
from platelib.numerics.transform import Transform, exponents, identity, normalisation
from platelib.resampling.lanczos import POLYNOMIALS, STRIP, fill_weights
from platelib.resampling.resample import Cutout, Levels, resample, source_window
from platelib.simulate.psf import add_stars, moffat_image

SHAPE = (300, 411)
SKY, READ_NOISE = 300.0, 3.0
NOISE = float(np.sqrt(SKY + READ_NOISE**2))
TAPS = np.arange(-2, 4)


def _turned(dx=0.0, dy=0.0, angle_deg=0.0, scale=1.0, shape=SHAPE) -> Transform:
    """A similarity about the centre of the grid."""
    cx, cy, half = normalisation(shape)
    cos, sin = (half * scale * f(np.radians(angle_deg)) for f in (np.cos, np.sin))
    return Transform(1, cx, cy, half, np.array([cx + dx, cos, -sin]), np.array([cy + dy, sin, cos]))


def _whole(image, transform, variance=None, mask=None):
    variance = np.ones_like(image) if variance is None else variance
    mask = np.zeros(image.shape, dtype=np.uint8) if mask is None else mask
    source = Cutout(image, variance, mask, 0, 0, image.shape)
    return resample(source, transform, (0, image.shape[0]), (0, image.shape[1]))


def _cut(image, variance, mask, transform, rows, columns) -> Cutout:
    """What a tile needs of a frame, and no more."""
    (top, bottom), (left, right) = (
        (max(0, first), min(size, last))
        for (first, last), size in zip(
            source_window(transform, rows, columns), image.shape, strict=True
        )
    )
    planes = (np.ascontiguousarray(p[top:bottom, left:right]) for p in (image, variance, mask))
    return Cutout(*planes, top, left, image.shape)


def _lanczos(image: np.ndarray, transform: Transform, taps=TAPS, power=1) -> np.ndarray:
    """Lanczos-3 by its formula, float64, weights normalised, edges repeated, nothing limited.

    Only some taps take part, with their weights to a power.
    """
    ny, nx = image.shape
    rows, columns = np.indices(image.shape)
    x, y = transform(columns, rows)
    ix, iy = np.floor(x).astype(int), np.floor(y).astype(int)
    inside = (x >= 0) & (x <= nx - 1) & (y >= 0) & (y <= ny - 1)
    x, y, ix, iy = (np.where(inside, plane, 5) for plane in (x, y, ix, iy))
    wx, wy = _weights(x - ix), _weights(y - iy)
    total = np.zeros(image.shape)
    for j, v in zip(taps + 2, taps, strict=True):
        for i, u in zip(taps + 2, taps, strict=True):
            row, column = np.clip(iy + v, 0, ny - 1), np.clip(ix + u, 0, nx - 1)
            total += (wy[..., j] * wx[..., i]) ** power * image[row, column].astype(np.float64)
    return np.where(inside, total, np.nan)


def _weights(fraction: np.ndarray) -> np.ndarray:
    distance = fraction[..., None] - TAPS
    raw = np.sinc(distance) * np.sinc(distance / 3) * (np.abs(distance) < 3)
    return raw / raw.sum(axis=-1, keepdims=True)


def _lanczos_by_columns(image: np.ndarray, transform: Transform, taps=TAPS, power=1) -> np.ndarray:
    """The same, each column summed where the row of the grid crosses it, and then across.

    The order of Catmull & Smith (1980, Computer Graphics 14, 279); of a linear transform.
    """
    ny, nx = image.shape
    rows, columns = np.indices(image.shape)
    x, y = transform(columns, rows)
    rise = transform.y[1] / transform.x[1]
    inside = (x >= 0) & (x <= nx - 1) & (y >= 0) & (y <= ny - 1)
    x, y = (np.where(inside, plane, 5) for plane in (x, y))
    ix, iy = np.floor(x).astype(int), np.floor(y).astype(int)
    wx = _weights(x - ix)
    total = np.zeros(image.shape)
    for i, u in zip(taps + 2, taps, strict=True):
        wy = _weights(y + rise * (ix + u - x) - iy)
        for j, v in zip(taps + 2, taps, strict=True):
            row, column = np.clip(iy + v, 0, ny - 1), np.clip(ix + u, 0, nx - 1)
            total += (wy[..., j] * wx[..., i]) ** power * image[row, column].astype(np.float64)
    return np.where(inside, total, np.nan)


def _starry(seed: int, fwhm: float, flux: float, noisy: bool):
    """A field of separated stars at random phases: image, variance, places."""
    rng = np.random.default_rng(seed)
    x, y = np.meshgrid(np.arange(30, 390, 24.0), np.arange(30, 280, 24.0))
    x, y = x.ravel() + rng.uniform(-0.5, 0.5, x.size), y.ravel() + rng.uniform(-0.5, 0.5, y.size)
    light = np.full(SHAPE, SKY, dtype=np.float32)
    add_stars(light, x, y, flux, moffat_image(fwhm, 3.3))
    image = rng.poisson(light) + rng.normal(0, READ_NOISE, SHAPE) if noisy else light
    return image.astype(np.float32), light + np.float32(READ_NOISE**2), x, y


def _noise_field(seed: int, shape=SHAPE):
    image = np.random.default_rng(seed).normal(SKY, NOISE, shape).astype(np.float32)
    return image, np.full(shape, NOISE**2, dtype=np.float32)


@pytest.mark.parametrize(("dx", "dy"), [(0, 0), (3, -2), (-5, 7), (40, 31)])
def test_integer_shifts_are_exact(dx, dy):
    """A shift by whole pixels moves the values and variances, bit for bit."""
    image, _ = _noise_field(1)
    variance = np.random.default_rng(2).uniform(1, 2, SHAPE).astype(np.float32)
    values, variances = _whole(image, _turned(dx, dy), variance)
    inner = np.s_[50:-50, 50:-50]
    moved = np.s_[50 + dy : SHAPE[0] - 50 + dy, 50 + dx : SHAPE[1] - 50 + dx]
    np.testing.assert_array_equal(values[inner], image[moved])
    np.testing.assert_array_equal(variances[inner], variance[moved])


@pytest.mark.parametrize(
    ("transform", "formula"),
    [
        (_turned(0.37, -0.61, 0.16), _lanczos_by_columns),
        (_turned(0.5, 0.5), _lanczos),
        (_turned(1.2, 0.8, 30), _lanczos),
        (_turned(0, 0, 180.2), _lanczos_by_columns),
        (_turned(0, 0, 3, 0.7), _lanczos),
    ],
)
def test_values_equal_the_formula(transform, formula):
    """Where nothing is limited, values are Lanczos-3 to 5e-6 of the peak, and so is the edge."""
    for fwhm in (2.0, 3.5):
        image, variance, _, _ = _starry(3, fwhm, 1e5, noisy=True)
        values, _ = _whole(image, transform, variance)
        expected = formula(image, transform)
        np.testing.assert_array_equal(np.isnan(values), np.isnan(expected))
        difference = np.abs(values - expected)[np.isfinite(values)]
        assert (difference > 5e-6 * image.max()).mean() < 1e-3
        assert np.median(difference) < 2e-7 * image.max()


@pytest.mark.parametrize(
    ("angle", "formula"), [(0.16, _lanczos_by_columns), (1.1, _lanczos_by_columns), (7, _lanczos)]
)
def test_variances_equal_the_formula(angle, formula):
    """Variances are the sums of the inner 4 x 4 with the squares of their weights, to 3e-5."""
    variance = np.random.default_rng(22).uniform(1, 2, SHAPE).astype(np.float32)
    transform = _turned(0.37, -0.61, angle)
    _, variances = _whole(np.zeros_like(variance), transform, variance)
    expected = formula(variance, transform, TAPS[1:-1], 2)
    known = np.isfinite(expected)
    assert known.mean() > 0.5
    np.testing.assert_allclose(variances[known], expected[known], rtol=3e-5)


def test_weights_are_those_of_the_formula():
    """Polynomials give Lanczos-3, as numpy's sinc does, to 5e-6; they sum to 1 and keep steps."""
    fraction = np.linspace(0, 1, STRIP).astype(np.float32)
    weights = np.empty(6 * STRIP, dtype=np.float32)
    fill_weights(fraction, STRIP, POLYNOMIALS, weights)
    weights = weights.reshape(6, STRIP).astype(float)
    window = [np.sinc(fraction - k) * np.sinc((fraction - k) / 3) for k in range(-2, 4)]
    np.testing.assert_allclose(weights, window / np.sum(window, axis=0), atol=5e-6, rtol=0)
    np.testing.assert_allclose(weights.sum(axis=0), 1, atol=2e-7, rtol=0)
    np.testing.assert_array_equal(weights[:, [0, -1]].T, np.eye(6)[2:4])


@pytest.mark.parametrize("angle", [0.0, 90.0, 180.0, 270.0])
def test_quarter_turns_are_exact(angle):
    """A square turned by quarters keeps its values to float32, none at wrong places."""
    image = _noise_field(4)[0][:200, :200].copy()
    values, _ = _whole(image, _turned(angle_deg=angle, shape=image.shape))
    expected = np.rot90(image, int(angle // 90))
    known = np.isfinite(values)
    assert known[3:-3, 3:-3].all()
    np.testing.assert_allclose(values[known], expected[known], rtol=1e-6)


@pytest.mark.parametrize("angle", [0.0, 0.3, 30.0, 90.0, 180.0])
def test_a_constant_stays_constant(angle):
    """A constant comes out as the constant to 1e-6, wherever it is sampled."""
    image = np.full(SHAPE, 1234.5, dtype=np.float32)
    values, variances = _whole(image, _turned(0.3, 0.4, angle))
    known = np.isfinite(values)
    assert known.mean() > 0.5
    np.testing.assert_allclose(values[known], 1234.5, rtol=1e-6)
    assert variances[known].max() < 1.01


@pytest.mark.parametrize("fwhm", [2.0, 2.5, 3.5])
@pytest.mark.parametrize("flux", [3e3, 1e5, 1e7])
def test_stars_keep_flux_and_summit(fwhm, flux):
    """Stars keep their flux to 0.1 %, and limiting takes less than 1 % off any summit."""
    image, variance, x, y = _starry(5, fwhm, flux, noisy=True)
    transform = _turned(0.37, -0.61, 0.16)
    values, _ = _whole(image, transform, variance)
    expected = _lanczos(image, transform)
    # Aperture sums around each star against the formula, which keeps flux by construction.
    rows, columns = np.indices(SHAPE)
    at_x, at_y = transform(columns, rows)
    sums, summits = [], []
    for k in range(x.size):
        near = np.hypot(at_x - x[k], at_y - y[k]) < 9
        if np.isnan(values[near]).any():
            continue
        sums.append([(plane[near] - SKY).sum() for plane in (values, expected)])
        summits.append([plane[near].max() - SKY for plane in (values, expected)])
    sums, summits = np.array(sums), np.array(summits)
    assert len(sums) > 100
    assert sums[:, 0].sum() == pytest.approx(sums[:, 1].sum(), rel=1e-3)
    assert (summits[:, 0] / summits[:, 1]).min() > 0.99


def test_total_light_is_kept():
    """The light of noiseless stars in an aperture stays within 0.1 % of the raw frame's."""
    image, variance, x, y = _starry(6, 2.5, 1e6, noisy=False)
    transform = _turned(0.37, -0.61, 0.16)
    values, _ = _whole(image, transform, variance)
    turn = _turned(0, 0, -0.16)
    grid_x, grid_y = turn(x - 0.37, y + 0.61)
    ratios = []
    for k in np.flatnonzero((grid_x > 12) & (grid_y > 12) & (grid_x < 395) & (grid_y < 285)):
        light = []
        for plane, u, v in ((values, grid_x[k], grid_y[k]), (image, x[k], y[k])):
            rows, columns = np.indices(SHAPE)
            share = np.clip(10.5 - np.hypot(columns - u, rows - v), 0, 1)
            light.append(np.sum(share * (np.nan_to_num(plane, nan=SKY) - SKY)))
        ratios.append(light[0] / light[1])
    assert np.mean(ratios) == pytest.approx(1, abs=1e-3)
    assert np.std(ratios) < 1e-3


def test_stars_are_hardly_widened():
    """A star of 2.5 px FWHM is widened by less than 2 %, and stays round and in its place."""
    image, variance, x, y = _starry(7, 2.5, 2e5, noisy=True)
    transform = _turned(0.37, -0.61, 0.16)
    values, _ = _whole(image, transform, variance)
    mask = np.isnan(values).astype(np.uint8)
    values = np.nan_to_num(values, nan=SKY)
    nothing = np.zeros_like(mask)
    raw = find_stars(image, nothing, sky_mesh(image, 64), 6.0, 2.5, 500)
    new = find_stars(values, mask, sky_mesh(values, 64), 6.0, 2.5, 500)
    new = new[new["flags"] == 0]
    assert len(new) > 100
    assert np.median(new["fwhm"]) == pytest.approx(np.median(raw["fwhm"]), rel=0.02)
    assert np.median(new["ellipticity"]) < 0.02
    at_x, at_y = transform(new["x"], new["y"])
    offset = [np.hypot(x - u, y - v).min() for u, v in zip(at_x, at_y, strict=True)]
    assert np.sqrt(np.mean(np.square(offset))) < 0.02


def test_noise_and_its_correlation():
    """Pixels scatter by their variance, and large sums by correlation_factor(), within 2 %."""
    shape = (900, 1201)
    image, variance = _noise_field(8, shape)
    values, variances = _whole(image, _turned(0.3, 0.2, 0.4, shape=shape), variance)
    inner = np.s_[20:-20, 20:-20]
    pull = (values[inner] - SKY) / np.sqrt(variances[inner])
    assert pull.std() == pytest.approx(1, abs=0.02)
    assert variances[inner].mean() < 0.95 * NOISE**2
    # Power at long waves is what sums over many pixels see.
    clean = (values[inner] - values[inner].mean()) / np.sqrt(variances[inner].mean())
    power = np.abs(np.fft.fft2(clean)) ** 2 / clean.size
    waves = np.hypot(*np.meshgrid(*(np.fft.fftfreq(n) for n in clean.shape), indexing="ij"))
    low = (waves > 0) & (waves < 0.06)
    assert np.sqrt(power[low].mean()) == pytest.approx(correlation_factor(), rel=0.02)


@pytest.mark.parametrize("angle", [0.0, 0.16, 37.0])
def test_no_holes_or_rings_beside_hot_pixels(angle):
    """Beside hot pixels, rays and burnt stars nothing falls under the sky by over 5 sigma."""
    image, variance = _noise_field(9)
    rng = np.random.default_rng(10)
    spots = rng.integers(20, 280, 60), rng.integers(20, 390, 60)
    for k in range(4):
        image[spots[0], spots[1] + (k if k == 0 else k * (np.arange(60) % 4 == 0))] += 5e4
    star = np.zeros(SHAPE, dtype=np.float32)
    add_stars(star, [100.3, 200.8], [150.6, 80.2], [5e6, 2e7], moffat_image(2.5, 3.3))
    image = np.minimum(image + star, np.float32(6e4))
    variance = np.maximum(image, 0) + np.float32(READ_NOISE**2)
    values, _ = _whole(image, _turned(0.37, -0.61, angle), variance)
    assert np.nanmin(values) > SKY - 5 * NOISE - 1


def test_rings_above_the_sky_are_limited_too():
    """Two to three pixels from a hot pixel the sky is no brighter than noise can make it."""
    image, variance = _noise_field(11)
    image[150, 200] = 6e4
    values, _ = _whole(image, _turned(0.4, 0.4), variance)
    rows, columns = np.indices(SHAPE)
    distance = np.maximum(np.abs(columns + 0.4 - 200), np.abs(rows + 0.4 - 150))
    ring = values[(distance > 2) & (distance < 4)]
    assert ring.max() < SKY + 8 * NOISE


def test_a_bad_pixel_masks_its_neighbourhood_only():
    """A bad pixel leaves the four samples beside it without data and the others finite."""
    image, variance = _noise_field(12)
    mask = np.zeros(SHAPE, dtype=np.uint8)
    mask[100, 200] = BAD
    mask[30, 40] = 2
    image[100, 200] = np.nan
    interpolate_bad_pixels(image, mask)
    before, _ = _whole(image, _turned(0.4, 0.3))
    values, variances = _whole(image, _turned(0.4, 0.3), variance, mask)
    lost = np.isnan(values) & np.isfinite(before)
    assert sorted(map(tuple, np.argwhere(lost))) == [(99, 199), (99, 200), (100, 199), (100, 200)]
    np.testing.assert_array_equal(np.isnan(values), np.isnan(variances))


def test_missing_data_do_not_spread():
    """A raw pixel without data, or without response, costs four samples of value and variance."""
    image, _ = _noise_field(13)
    image[60, 70] = np.nan
    flat = np.ones(SHAPE, dtype=np.float32)
    flat[160, 170] = np.nan
    correction = Correction(flat=flat)
    values, variance, mask = calibrate(image, correction, Detector(1.0, 3.0, np.inf))
    interpolate_bad_pixels(values, mask)
    result = _whole(values, _turned(0.4, 0.3), variance, mask)
    for plane in result:
        assert np.isnan(plane[10:-10, 10:-10]).sum() == 8


@pytest.mark.parametrize("angle", [0.1, 1.1, 30.0, 90.0, 179.2])
def test_tiles_equal_the_whole(angle):
    """Tiles of the grid, each from its own part of the raw frame, are the whole bit for bit."""
    shape = (140, 1300)
    image, variance = _noise_field(14, shape)
    mask = (np.random.default_rng(15).random(shape) < 0.01).astype(np.uint8)
    transform = _turned(0.37, -0.61, angle, shape=shape)
    whole = _whole(image, transform, variance, mask)
    assert np.isfinite(whole[0]).any()
    for rows in ((0, 64), (64, 65), (65, 140)):
        for columns in ((0, 509), (509, 515), (515, 1300)):
            source = _cut(image, variance, mask, transform, rows, columns)
            if not source.values.size:
                continue
            missing = np.full((rows[1] - rows[0], columns[1] - columns[0]), 9, dtype=np.uint8)
            tile = resample(source, transform, rows, columns, missing=missing)
            for part, plane in zip(tile, whole, strict=True):
                np.testing.assert_array_equal(part, plane[slice(*rows), slice(*columns)])
                np.testing.assert_array_equal(missing == BAD, np.isnan(part))


@pytest.mark.parametrize("turned_deg", [0.0, 0.01, 0.3, 180.02, 90.01])
@pytest.mark.parametrize(("dx", "dy"), [(0.0, 0.0), (3.4, -2.7), (-60.2, 21.9)])
def test_lines_are_followed(turned_deg, dx, dy):
    """What is summed along straight lines is what the formula gives at each sample."""
    shape = (40, 4400)  # some of its rows cross a place from where samples are counted anew
    image = np.random.default_rng(8).normal(100, 9, shape).astype(np.float32)
    transform = along = _turned(dx, dy, turned_deg, 1.0001, shape)
    seen = image
    if transform.exchanges_axes:
        x, y = transform.x.copy(), transform.y.copy()
        x[0], y[0] = y[0], x[0]
        transform, along = replace(transform, x=x, y=y), replace(transform, x=y, y=x)
        image = np.ascontiguousarray(seen.T)
    mask = np.zeros(image.shape, dtype=np.uint8)
    source = Cutout(image, np.full_like(image, 1e6), mask, 0, 0, image.shape)
    values, _ = resample(source, transform, (0, 40), (0, 4400))
    expected = _lanczos_by_columns(seen, along)
    known = np.isfinite(values)
    assert known.mean() > 0.1
    np.testing.assert_array_equal(known, np.isfinite(expected))
    np.testing.assert_allclose(values[known], expected[known], rtol=0, atol=2e-3)


@pytest.mark.parametrize("turned_deg", [0.05, 0.3, 1.1])
def test_columns_first_is_as_true_as_all_at_once(turned_deg):
    """Against stars that were drawn where they belong, both orders of summing are as good."""
    rng = np.random.default_rng(21)
    x, y = (rng.uniform(40, size - 40, 150) for size in SHAPE[::-1])
    transform = _turned(0.37, -0.61, turned_deg)
    inverse = _turned(0, 0, -turned_deg)(x - 0.37, y + 0.61)
    planes = [np.zeros(SHAPE, dtype=np.float32) for _ in range(2)]
    for plane, places in zip(planes, ((x, y), inverse), strict=True):
        add_stars(plane, *places, 1e5, moffat_image(2.8, 3.3))
    drawn, truth = planes
    inner = np.s_[20:-20, 20:-20]
    errors = [
        np.std((result - truth)[inner])
        for result in (_whole(drawn, transform, drawn + 1e9)[0], _lanczos(drawn, transform))
    ]
    assert errors[0] < 1.01 * errors[1]
    assert errors[0] < 2e-3 * truth.max()


def test_tiles_of_a_curved_transform_hold_enough():
    """Also with distortion the part named for a tile is all that it touches."""
    rng = np.random.default_rng(16)
    image, variance = _noise_field(17)
    mask = np.zeros(SHAPE, dtype=np.uint8)
    cx, cy, half = normalisation(SHAPE)
    for _ in range(10):
        bend = rng.normal(0, 3, (2, 10))
        bend[:, :3] = [[cx, half, 2], [cy, -2, half]]
        transform = Transform(3, cx, cy, half, *bend)
        whole, _ = _whole(image, transform, variance)
        rows, columns = (100, 130), (150, 250)
        source = _cut(image, variance, mask, transform, rows, columns)
        tile, _ = resample(source, transform, rows, columns)
        np.testing.assert_array_equal(tile, whole[slice(*rows), slice(*columns)])


def test_grids_of_another_size():
    """A grid may be larger than the frame; what the frame does not reach has no data."""
    image, variance = _noise_field(18)
    mask = np.zeros(SHAPE, dtype=np.uint8)
    grid = (400, 500)
    source = Cutout(image, variance, mask, 0, 0, SHAPE)
    values, _ = resample(source, identity(grid), (0, 400), (0, 500))
    assert values.shape == grid
    np.testing.assert_array_equal(values[5:290, 5:400], image[5:290, 5:400])
    assert np.isnan(values[300:]).all()
    assert np.isnan(values[:, 411:]).all()


@pytest.mark.parametrize("degree", [0, 1, 2])
def test_levels_scale_and_take_the_sky_off(degree):
    """Values are factor times value minus the polynomial, variances the factor's square."""
    image, variance = _noise_field(19)
    transform = identity(SHAPE)
    cx, cy, half = normalisation(SHAPE)
    sky = np.random.default_rng(20).normal(0, 10, len(exponents(degree)))
    y, x = np.indices(SHAPE)[:, 100:150]
    u, v = (x - cx) / half, (y - cy) / half
    surface = sum(c * u**i * v**j for c, (i, j) in zip(sky, exponents(degree), strict=True))
    mask = np.zeros(SHAPE, dtype=np.uint8)
    source = Cutout(image, variance, mask, 0, 0, SHAPE)
    levels = Levels(0.8, sky, 1.21)
    values, variances = resample(source, transform, (100, 150), (0, SHAPE[1]), levels)
    np.testing.assert_allclose(values, 0.8 * image[100:150] - surface, rtol=1e-5, atol=1e-4)
    np.testing.assert_allclose(variances, 0.64 * 1.21 * variance[100:150], rtol=1e-6)
