import numpy as np
import pytest
from scipy.spatial import cKDTree

from platelib.background.measure_mesh import sky_mesh
from platelib.detection.star_finder import StarSearch, find_stars, significant
from platelib.detection.star_table import FLAG_MASKED, FLAG_SATURATED, STAR
from platelib.numerics.mask_bits import BAD, SATURATED
from platelib.simulate.psf import add_stars, moffat_image
from platelib.simulate.tracks import SatelliteSpec, cosmic_rays, satellite_light

SHAPE = (480, 641)
SKY, READ_NOISE = 300.0, 3.0


def _field(seed: int, pitch: float = 40.0):
    """Places of well separated stars, at random phases."""
    rng = np.random.default_rng(seed)
    x, y = np.meshgrid(np.arange(30, 611, pitch), np.arange(30, 451, pitch))
    x, y = x.ravel(), y.ravel()
    return x + rng.uniform(-2, 2, x.size), y + rng.uniform(-2, 2, y.size)


def _exposure(seed: int, x, y, flux, fwhm=2.8, trail=(0.0, 0.0), sky: float | np.ndarray = SKY):
    """An exposure in electrons."""
    rng = np.random.default_rng(seed)
    light = np.zeros(SHAPE, dtype=np.float32)
    add_stars(light, x, y, flux, moffat_image(fwhm, 3.3, trail))
    image = rng.poisson(light + sky) + rng.normal(0, READ_NOISE, SHAPE)
    return image.astype(np.float32)


def _found(image, mask=None, max_stars=2000):
    mask = np.zeros(image.shape, dtype=np.uint8) if mask is None else mask
    return find_stars(image, mask, sky_mesh(image, 64), 6.0, 2.5, max_stars)


def _nearest(stars, x, y):
    return cKDTree(np.c_[x, y]).query(np.c_[stars["x"], stars["y"]])


@pytest.mark.parametrize("fwhm", [2.0, 2.8, 4.0])
def test_positions_of_stars(fwhm):
    """Stars are within 0.02 px rms of the truth when bright, 0.15 px when faint; none is invented.

    An axis cannot be measured better than FWHM / 2.35 / (signal to noise).
    """
    x, y = _field(1)
    flux = 10 ** np.random.default_rng(2).uniform(3.6, 5.6, x.size)
    stars = _found(_exposure(3, x, y, flux, fwhm))
    distance, index = _nearest(stars, x, y)
    assert distance.max() < 1
    assert len(set(index)) == len(stars) > 0.97 * x.size
    bright, faint = flux[index] > 5e4, flux[index] < 1e4
    assert np.sqrt(np.mean(distance[bright] ** 2)) < 0.02
    assert np.sqrt(np.mean(distance[faint] ** 2)) < 0.15


def test_positions_have_no_bias_with_phase():
    """Without noise, positions are right to 0.005 px at every phase of the pixel."""
    x, y = _field(4)
    image = np.full(SHAPE, SKY, dtype=np.float32)
    add_stars(image, x, y, 1e5, moffat_image(2.2, 3.3))
    noisy = image + np.random.default_rng(5).normal(0, 0.5, SHAPE).astype(np.float32)
    stars = _found(noisy)
    distance, _ = _nearest(stars, x, y)
    assert len(stars) == x.size
    assert distance.max() < 0.005


def test_fluxes_are_linear():
    """Over five magnitudes fluxes are proportional to the truth within 0.5 %."""
    x, y = _field(6, 40.0)
    levels = 1e4 * 10 ** (0.4 * np.arange(6))
    ratios = np.zeros((2, 6))
    for seed in range(6):
        flux = levels[(np.arange(x.size) + seed) % 6]
        stars = _found(_exposure(10 + seed, x, y, flux))
        distance, index = _nearest(stars, x, y)
        for k, level in enumerate(levels):
            chosen = (flux[index] == level) & (distance < 1)
            ratios[:, k] += (stars["flux"][chosen] / level).sum(), chosen.sum()
    ratio = ratios[0] / ratios[1]
    assert np.ptp(ratio) < 0.01
    np.testing.assert_allclose(ratio / ratio[3:].mean(), 1, atol=0.005)


def test_flux_errors_are_honest():
    """Fluxes scatter by their stated errors, within 15 %."""
    x, y = _field(7)
    pulls: list[np.ndarray] = []
    for seed in range(4):
        stars = _found(_exposure(20 + seed, x, y, 2e4))
        stars = stars[np.argsort(_nearest(stars, x, y)[1])]
        pulls.append((stars["flux"] - np.median(stars["flux"])) / stars["flux_error"])
    assert np.concatenate(pulls).std() == pytest.approx(1, abs=0.15)


def test_fluxes_keep_pace_with_the_seeing():
    """Apertures in units of the sub's own FWHM hold the same share of a star in any seeing."""
    x, y = _field(8)
    shares = [
        np.median(_found(_exposure(30, x, y, 2e5, fwhm))["flux"]) / 2e5 for fwhm in (2.2, 2.8, 3.6)
    ]
    assert np.ptp(shares) < 0.01


def test_hot_pixels_are_no_stars():
    """800 hot pixels in common to the subs of a night give not one star."""
    x, y = _field(9, 80.0)
    rng = np.random.default_rng(40)
    rows, columns = rng.integers(0, SHAPE[0], 800), rng.integers(0, SHAPE[1], 800)
    charge = 10 ** rng.uniform(2, 4.8, 800)
    for seed in range(4):
        image = _exposure(50 + seed, x, y, 3e4)
        image[rows, columns] += charge
        distance, _ = _nearest(_found(image), x, y)
        assert distance.max() < 1.5
        assert len(distance) > 0.8 * x.size


@pytest.mark.parametrize("fwhm", [1.6, 2.8, 4.0])
def test_cosmic_rays_are_no_stars(fwhm):
    """Of 800 particle tracks at most one in a hundred passes for a star."""
    x, y = _field(11, 80.0)
    passed = 0
    for seed in range(4):
        rng = np.random.default_rng(60 + seed)
        image = _exposure(70 + seed, x, y, 3e4, fwhm)
        rays = cosmic_rays(200, SHAPE[1], SHAPE[0], rng)
        image[rays.y, rays.x] += rays.electrons
        stars = _found(image)
        distance, _ = _nearest(stars[stars["flags"] == 0], x, y)
        passed += np.count_nonzero(distance > 2)
    assert passed <= 8


def test_a_satellite_trail_is_no_star():
    """A trail across the frame adds at most a star or two."""
    x, y = _field(12)
    image = _exposure(80, x, y, 3e4)
    image += satellite_light(SatelliteSpec(300, 240, 25.0, 4.5, 900.0), SHAPE[1], SHAPE[0])
    distance, _ = _nearest(_found(image), x, y)
    assert np.count_nonzero(distance > 2) <= 2


def test_noise_alone_has_no_stars():
    """A frame of noise, and one without any, give an empty list."""
    empty = np.zeros(0)
    assert len(_found(_exposure(81, empty, empty, empty))) == 0
    flat = np.full(SHAPE, 5, dtype=np.float32)
    stars = _found(flat)
    assert len(stars) == 0
    assert stars.dtype == STAR


@pytest.mark.parametrize(
    ("length", "least", "most"), [(0, 0.0, 0.06), (3, 0.1, 0.3), (6, 0.3, 0.55), (12, 0.6, 0.9)]
)
@pytest.mark.parametrize("angle", [0.0, 37.0, 90.0])
def test_ellipticity_tells_trailed_stars(length, angle, least, most):
    """Round stars have an ellipticity near 0, stars trailed by 12 px one above 0.6."""
    x, y = _field(13)
    trail = length * np.cos(np.radians(angle)), length * np.sin(np.radians(angle))
    stars = _found(_exposure(82, x, y, 6e4, 2.8, trail))
    assert len(stars) > 0.9 * x.size
    assert least <= np.median(stars["ellipticity"]) < most


def test_width_follows_the_seeing():
    """The FWHM is the seeing's, a little widened by the pixel and the wings, in proportion."""
    x, y = _field(14)
    widths = [
        np.median(_found(_exposure(83, x, y, 6e4, fwhm))["fwhm"]) for fwhm in (2.2, 2.8, 3.5, 4.5)
    ]
    np.testing.assert_allclose(np.array(widths) / (2.2, 2.8, 3.5, 4.5), 1.14, atol=0.06)


def test_flags_of_saturated_and_masked_stars():
    """Stars with a saturated or a bad pixel within two pixels say so, and only they."""
    x, y = _field(15)
    flux = np.full(x.size, 3e4)
    flux[5] = 2e6
    image = _exposure(84, x, y, flux)
    mask = np.where(image > 5e4, np.uint8(SATURATED), np.uint8(0))
    image = np.minimum(image, 5e4)
    mask[int(y[9]) + 2, int(x[9])] |= BAD
    stars = _found(image, mask)
    _, index = _nearest(stars, x, y)
    for number, flag in ((5, FLAG_SATURATED), (9, FLAG_MASKED)):
        assert (stars["flags"][index == number] & flag).all()
        assert not (stars["flags"][index != number] & flag).any()


def test_the_brightest_are_kept_in_order():
    """The list holds the brightest stars of the whole frame, brightest first."""
    x, y = _field(16)
    flux = 10 ** np.random.default_rng(85).uniform(4, 5.5, x.size)
    image = _exposure(86, x, y, flux)
    everyone, few = _found(image), _found(image, max_stars=20)
    assert (np.diff(everyone["flux"]) <= 0).all()
    np.testing.assert_array_equal(few, everyone[:20])


def test_no_part_of_a_crowded_frame_is_forgotten():
    """With far more stars than wanted, the brightest are those of the whole frame."""
    rng = np.random.default_rng(87)
    x, y = rng.uniform(20, 620, 4000), rng.uniform(20, 460, 4000)
    flux = 10 ** rng.uniform(3.5, 4.2, 4000)
    flux[y > 300] *= 10
    stars = _found(_exposure(88, x, y, flux), max_stars=30)
    assert len(stars) == 30
    assert (stars["y"] > 298).all()


def _searched(image, heights, half_px=None, max_stars=2000) -> StarSearch:
    """Search an image whose rows come so many at a time, the last number again and again."""
    mask = np.zeros(image.shape, dtype=np.uint8)
    search = StarSearch(sky_mesh(image, 64), 6.0, 2.5, max_stars, half_px=half_px)
    top = 0
    while top < len(image):
        height = heights.pop(0) if len(heights) > 1 else heights[0]
        search.look(image[top : top + height].copy(), mask[top : top + height])
        top += height
    return search


@pytest.mark.parametrize("max_stars", [2000, 25])
@pytest.mark.parametrize("heights", [[26], [27], [31, 64, 30], [240], [470]])
def test_rows_may_come_any_way(heights, max_stars):
    """The stars are the same bit for bit, however many rows come at a time."""
    rng = np.random.default_rng(95)
    x, y = rng.uniform(5, 636, 250), rng.uniform(5, 475, 250)
    image = _exposure(96, x, y, 10 ** rng.uniform(3.5, 5.5, 250))
    image += satellite_light(SatelliteSpec(300, 240, 25.0, 4.5, 900.0), SHAPE[1], SHAPE[0])
    search = _searched(image, heights, max_stars=max_stars)
    assert search.needed_half_px <= search.half_px
    stars = search.stars()
    assert len(stars) == min(max_stars, len(stars)) > 20
    np.testing.assert_array_equal(stars, _found(image, max_stars=max_stars))


def test_faint_stars_are_dropped_many_at_a_time(monkeypatch):
    """In a crowded field dropping what is too many is rare beside the rows that are looked at."""
    rng = np.random.default_rng(89)
    x, y = rng.uniform(20, 620, 3000), rng.uniform(20, 460, 3000)
    image = _exposure(90, x, y, 10 ** rng.uniform(3.5, 4.2, 3000))
    dropped = []
    really = StarSearch._drop_faint
    monkeypatch.setattr(StarSearch, "_drop_faint", lambda s: dropped.append(s._count) or really(s))
    search = _searched(image, [32], max_stars=100)
    assert len(search.stars()) == 100
    assert 3 <= len(dropped) <= 20
    assert min(dropped[:-1]) > 400


def test_squares_that_are_too_small_say_so():
    """Where the aperture does not fit, the search says what is needed; then fluxes are right."""
    x, y = _field(97)
    image = _exposure(98, x, y, 2e5, 5.5)
    search = _searched(image, [48])
    assert search.needed_half_px > search.half_px
    wide = _searched(image, [48], search.needed_half_px)
    assert wide.needed_half_px == wide.half_px == search.needed_half_px
    np.testing.assert_array_equal(wide.stars(), _found(image))
    np.testing.assert_array_equal(_searched(image, [48], 22).stars(), wide.stars())


def test_flux_errors_know_the_flat_field():
    """Where light was divided by a flat of 0.5, its own noise counts double."""
    x, y = _field(99)
    image = _exposure(100, x, y, 1e6, sky=1.0)
    mask, mesh = np.zeros(SHAPE, dtype=np.uint8), sky_mesh(image, 64)
    errors = []
    for light_variance in (1.0, 2.0):
        search = StarSearch(mesh, 6.0, 2.5, 2000, light_variance)
        search.look(image, mask)
        errors.append(np.median(search.stars()["flux_error"]))
    assert errors[1] / errors[0] == pytest.approx(np.sqrt(2), rel=0.02)
    assert errors[0] == pytest.approx(1000, rel=0.05)


def test_numbers_are_rounded():
    """Positions carry four decimals and fluxes six digits, the same ones every time."""
    x, y = _field(17)
    image = _exposure(89, x, y, 3e4)
    stars = _found(image)
    np.testing.assert_array_equal(stars["x"], np.round(stars["x"], 4))
    assert all(float(f"{flux:.6g}") == flux for flux in stars["flux"])
    np.testing.assert_array_equal(stars, _found(image.copy()))


def test_significant_digits():
    """Rounding to six digits works at any size, and leaves 0 and NaN."""
    values = np.array([123456.789, -0.00012345678, 9.9999999e9, 0.0, np.nan])
    expected = [123457.0, -0.000123457, 1e10, 0.0, np.nan]
    np.testing.assert_array_equal(significant(values, 6), expected)
