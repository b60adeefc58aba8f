import numpy as np
import pytest
from astropy.io import fits
from scipy.ndimage import gaussian_filter, shift

from platefiles.raw_frames.raw_frame import open_raw
from platelib.colour.star_cores import discs
from platelib.detection.lost_cores import find_lost_cores

SHAPE = (420, 540)
FWHM, BETA = 3.4, 3.0
"""Round Moffat stars that the pixels resolve."""
NOISE, CLIP = 1.0, 6000.0
MEASURED_FWHM = 3.6


def _moffat(shape, x, y, flux):
    rows, columns = np.ogrid[: shape[0], : shape[1]]
    alpha = FWHM / (2 * np.sqrt(2 ** (1 / BETA) - 1))
    profile = (1 + ((columns - x) ** 2 + (rows - y) ** 2) / alpha**2) ** -BETA
    return flux * (BETA - 1) / (np.pi * alpha**2) * profile


PEAK_OF_FLUX = float(_moffat((21, 21), 10, 10, 1.0).max())


def _stars(rng, brightest, count=70):
    """Return x, y and peak of stars on a loose grid, as many in each octave of brightness."""
    cells = rng.permutation(10 * 13)[:count]
    x = 30 + 40 * (cells % 13) + rng.uniform(-8, 8, count)
    y = 25 + 41 * (cells // 13) + rng.uniform(-8, 8, count)
    peak = brightest * 10 ** -rng.uniform(0, 2.2, count)
    return x, y, peak


def _drawn(x, y, peak):
    light = np.zeros(SHAPE)
    for px, py, height in zip(x, y, peak, strict=True):
        light += _moffat(SHAPE, px, py, height / PEAK_OF_FLUX)
    return light


def _galaxy(x, y, peak, scale_px, ratio=1.0):
    """An exponential disc as the same seeing shows it."""
    rows, columns = np.ogrid[: SHAPE[0], : SHAPE[1]]
    disc = np.exp(-np.hypot(columns - x, (rows - y) / ratio) / scale_px)
    return gaussian_filter(peak * disc, FWHM / 2.355)


def _resampled(raw, rng):
    """Calibrate by an uneven flat and lay on another grid: no value piles up any more."""
    flat = 1 + 0.08 * gaussian_filter(rng.normal(size=SHAPE), 30) * 30
    return shift(raw / flat, (0.37, -0.28), order=3, mode="nearest")


def _bridged(raw, rng):
    """Interpolate along rows over the pixels at the limit, as some pipelines do."""
    image = raw.copy()
    for row in image:
        full = row >= CLIP
        if full.any() and not full.all():
            row[full] = 0.6 * np.interp(np.flatnonzero(full), np.flatnonzero(~full), row[~full])
    return image


def _seen(light, rng, calibrate):
    raw = np.minimum(light + rng.normal(100.0, NOISE, SHAPE), CLIP)
    return (calibrate(raw, rng) + rng.normal(0, 0.05, SHAPE)).astype(np.float32)


def _found(image):
    return find_lost_cores(image, 100.0, NOISE, MEASURED_FWHM)


def _nearest(x, y, cores):
    """Return for each core the number of the nearest star, and how far off it is."""
    distance = np.hypot(np.subtract.outer(cores.x, x), np.subtract.outer(cores.y, y))
    return distance.argmin(axis=1), distance.min(axis=1)


@pytest.mark.parametrize("calibrate", [_resampled, _bridged])
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_saturated_stars_are_found_and_no_others(calibrate, seed):
    """Where the limit is blurred or bridged: all that are far above it, none below."""
    rng = np.random.default_rng(seed)
    x, y, peak = _stars(rng, 12 * CLIP)
    cores = _found(_seen(_drawn(x, y, peak), rng, calibrate))
    star, off = _nearest(x, y, cores)
    assert (off < 1.0).all()
    assert (peak[star] > 0.9 * CLIP).all()
    far_above = np.flatnonzero(peak > 4 * CLIP)
    assert len(far_above) > 10
    assert np.isin(far_above, star).mean() > 0.9


def test_discs_cover_what_was_cut_off():
    """The pixels of the cores that were at the limit lie in the discs, but for a few at rims."""
    rng = np.random.default_rng(4)
    x, y, peak = _stars(rng, 12 * CLIP)
    light = _drawn(x, y, peak)
    cores = _found(_seen(light, rng, _bridged))
    inside = discs(SHAPE, cores.x, cores.y, cores.radius_px)
    near = discs(SHAPE, cores.x, cores.y, np.full(len(cores), 12.0))
    full = near & (light > CLIP - 100)
    assert full.sum() > 200
    assert inside[full].mean() > 0.95
    assert inside.sum() < 6 * full.sum()


@pytest.mark.parametrize("seed", [5, 6])
def test_galaxies_and_bright_stars_are_no_saturated_cores(seed):
    """Discs of all sizes outshine the stars, of which none saturates: nothing is marked."""
    rng = np.random.default_rng(seed)
    x, y, peak = _stars(rng, 0.9 * CLIP)
    light = _drawn(x, y, peak)
    for number, scale in enumerate((0.7, 1.2, 2.0, 3.5, 6.0, 10.0)):
        light += _galaxy(60 + 80 * number, 210 + rng.uniform(-3, 3), 0.8 * CLIP, scale, 0.8)
    assert len(_found(_seen(np.minimum(light, 0.95 * CLIP), rng, _resampled))) == 0


def test_galaxies_beside_saturated_stars_are_spared():
    """Nuclei and discs do not saturate because stars do."""
    rng = np.random.default_rng(7)
    x, y, peak = _stars(rng, 12 * CLIP)
    keep = np.abs(y - 210) > 45
    light = _drawn(x[keep], y[keep], peak[keep])
    places = [(60 + 80 * number, 210.0) for number in range(6)]
    for (gx, gy), scale in zip(places, (0.7, 1.2, 2.0, 3.5, 6.0, 10.0), strict=True):
        light += _galaxy(gx, gy, 0.7 * CLIP, scale, 0.8)
    light += _moffat(SHAPE, *places[3], 0.3 * CLIP / PEAK_OF_FLUX)
    cores = _found(_seen(light, rng, _resampled))
    assert len(cores) > 5
    _, off = _nearest(*np.array(places).T, cores)
    assert (off > 20).all()


def test_one_star_alone_must_be_far_brighter():
    """A single bright star saturates if its wings outshine all others; one odd star is no proof."""
    rng = np.random.default_rng(8)
    x, y, peak = _stars(rng, 0.5 * CLIP)
    light = _drawn(x, y, peak)
    x0, y0 = 270.4, 398.7
    alone = _seen(light + _moffat(SHAPE, x0, y0, 15 * CLIP / PEAK_OF_FLUX), rng, _resampled)
    cores = _found(alone)
    assert len(cores) == 1
    assert np.hypot(cores.x[0] - x0 + 0.28, cores.y[0] - y0 - 0.37) < 0.5
    faint = np.minimum(_moffat(SHAPE, x0, y0, 2 * CLIP / PEAK_OF_FLUX), 0.02 * CLIP)
    assert len(_found(_seen(light + faint, rng, _resampled))) == 0


def test_frames_that_tell_nothing_have_no_cores():
    """Noise, a few stars, an unknown width, a frame without data."""
    rng = np.random.default_rng(9)
    empty = rng.normal(100, NOISE, SHAPE).astype(np.float32)
    assert len(_found(empty)) == 0
    x, y, peak = _stars(rng, 12 * CLIP, 3)
    few = _seen(_drawn(x, y, peak), rng, _resampled)
    assert len(_found(few)) == 0
    assert len(find_lost_cores(few, 100.0, NOISE, np.nan)) == 0
    assert len(_found(np.full(SHAPE, np.nan, dtype=np.float32))) == 0


def test_missing_pixels_change_little():
    """Columns without data leave out nothing but what lies on them."""
    rng = np.random.default_rng(10)
    x, y, peak = _stars(rng, 12 * CLIP)
    image = _seen(_drawn(x, y, peak), rng, _resampled)
    whole = _found(image)
    image[:, 100:104] = np.nan
    cut = _found(image)
    star, off = _nearest(cut.x, cut.y, whole)
    away = np.abs(whole.x - 101.5) > 15
    assert (off[away] < 0.3).mean() > 0.9


def test_discs():
    """Pixels whose middle lies in a disc, also where it leaves the image or lies outside."""
    inside = discs((7, 9), np.array([4.0, -0.4, 50.0]), np.array([3.0, 6.0, 3.0]), np.full(3, 1.2))
    expected = np.zeros((7, 9), dtype=bool)
    expected[3, 3:6] = expected[2:5, 4] = True
    expected[6, 0] = expected[5, 0] = True
    np.testing.assert_array_equal(inside, expected)
    assert not discs((7, 9), *np.empty((3, 0))).any()


def test_raw_frames_prove_their_marks(raw_series):
    """In raw frames, whose limit is known, nearly all stars that are marked reach it."""
    drifting, seeing = raw_series("wide-drifting"), raw_series("changing-seeing")
    lights = [(drifting, path) for path in drifting.some("*.fits.fz", 8)]
    lights += [(seeing, path) for path in seeing.some("a-240s.Light*", 8)]
    reach = []
    for series, path in lights:
        with open_raw(path) as raw:
            image = raw.data()
        sky = float(np.median(image))
        noise = 1.4826 * float(np.median(np.abs(image - sky)))
        cores = find_lost_cores(image, sky, noise, series.fwhm_px)
        full = image >= series.full_adu
        reach += [full[discs(full.shape, *place)].any() for place in _rows(cores)]
    assert len(reach) > 20
    assert np.mean(reach) > 0.9


def test_survey_frames_of_a_group(raw_series):
    """Stars with lost cores are marked in all bands; spirals and a whole star are not."""
    series = raw_series("gri-group")
    for band in "gri":
        path = series.folder / f"reprojected_sdss_{band}.fits"
        image = fits.getdata(path).astype(np.float32)
        sky = float(np.median(image))
        noise = 1.4826 * float(np.median(np.abs(image - sky)))
        cores = find_lost_cores(image, sky, noise, 1.55)
        with_spikes = np.array(series.spikes)
        assert (_nearest(*with_spikes.T, cores)[1] < 2).sum() == len(with_spikes)
        for x, y in series.whole:
            assert (np.hypot(cores.x - x, cores.y - y) > 10).all()


def _rows(cores):
    """Yield x, y and radius of each core, as arrays of one value."""
    return [
        tuple(np.array([value]) for value in row)
        for row in zip(cores.x, cores.y, cores.radius_px, strict=True)
    ]
