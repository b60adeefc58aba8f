"""The gain from lights alone: drawn nights of known gain, with all that spoils it."""

import numpy as np
import pytest
from astropy.io import fits

from platelib.calibration.photon_transfer import bands, choose_gain
from platelib.calibration.sky_noise_gain import SkyCells, light_variance, limit_of_one, sky_cells
from platelib.simulate.psf import add_stars, moffat_image

NY, NX, BIAS = 400, 560, 480.0
PSF = moffat_image(2.6, 3.0, radius_px=12)


def _night(gain, skies, read_noise_e=6.0, stars=0, drift_px=0.0, seed=1):
    """Raw lights, ADU: vignetted sky, uneven pixels, hot pixels, and stars that wander."""
    rng = np.random.default_rng(seed)
    y, x = np.indices((NY, NX))
    response = 1 - 0.25 * ((x - NX / 2) ** 2 + (y - NY / 2) ** 2) / (NX / 2) ** 2
    response *= rng.normal(1, 0.01, (NY, NX))
    fixed = BIAS + rng.normal(0, 3, (NY, NX)) + 800 * (rng.random((NY, NX)) < 1e-3)
    places = rng.uniform(-40, NX + 40, (2, stars))
    fluxes = 10 ** rng.uniform(1.5, 4.5, stars)
    for number, sky in enumerate(skies):
        light = (sky * gain * response).astype(np.float32)
        moved = places + drift_px * number + rng.normal(0, 0.3, (2, 1))
        add_stars(light, *moved, fluxes * gain, PSF)
        counts = rng.poisson(np.maximum(light, 0)) + read_noise_e * rng.standard_normal((NY, NX))
        yield np.round(counts / gain + fixed).astype(np.float32)


def _pairs(frames):
    frames = list(frames)
    return [_cells(*frames[k : k + 2]) for k in range(len(frames) - 1)]


def _cells(first, second):
    parts = [sky_cells(first[top:end], second[top:end]) for top, end in bands(first.shape)]
    return SkyCells(
        *(np.concatenate([getattr(p, n) for p in parts]) for n in ("level", "variance"))
    )


@pytest.mark.parametrize(
    ("gain", "skies"),
    [
        (0.8, np.linspace(900, 1500, 9)),
        (2.0, np.linspace(3000, 2200, 9)),
        (0.25, np.linspace(400, 700, 7)),
        (12.0, np.linspace(150, 320, 12)),
    ],
)
def test_the_slope_tells_the_gain_without_a_bias(gain, skies):
    """Where the sky changes in a night, the gain comes out within its error and 10 %.

    Photon transfer, Janesick 2001, from memory: the variance is level over gain, and a constant.
    """
    found = light_variance(_pairs(_night(gain, skies, stars=150)))
    assert found.estimate == pytest.approx(1 / gain, abs=4 * found.error)
    assert found.estimate == pytest.approx(1 / gain, rel=0.1)
    assert found.limit >= 0.98 / gain
    assert found.limit < 1.3 / gain


@pytest.mark.parametrize("gain", [0.3, 1.4, 8.0])
def test_the_level_tells_the_gain_with_a_bias(gain):
    """With a known zero point a steady sky is enough, and the read noise is taken off."""
    pairs = _pairs(_night(gain, [600.0] * 5, stars=150))
    found = light_variance(pairs, BIAS, (6.0 / gain) ** 2 + 1 / 12)
    assert found.estimate == pytest.approx(1 / gain, rel=0.03)
    assert 0.99 / gain <= found.limit < 1.1 / gain


@pytest.mark.parametrize("seed", range(6))
@pytest.mark.parametrize("zero", [None, BIAS])
def test_noise_of_light_is_never_understated(zero, seed):
    """Drifting crowds, steady skies and few subs leave a limit that the truth lies below."""
    rng = np.random.default_rng(seed)
    gain = float(10 ** rng.uniform(-0.7, 1.2))
    skies = rng.uniform(80, 2000) * rng.uniform(1, rng.choice([1.02, 1.4]), rng.integers(2, 7))
    frames = _night(gain, skies, float(rng.uniform(1.5, 9)), 900, 2.3, seed)
    found = light_variance(_pairs(frames), zero)
    assert found.limit >= 0.97 / gain
    assert np.isnan(found.estimate) or found.estimate < found.limit


def test_clouds_between_two_subs_leave_no_cells():
    """Levels that differ by more than a tenth are not compared, and nothing is told of nothing."""
    pairs = _pairs(_night(1.0, [400.0, 2000.0]))
    assert pairs[0].level.size == 0
    assert light_variance(pairs) is None
    assert light_variance([]) is None


def test_a_single_sub_tells_a_limit():
    """The sky's noise is an electron or more, and its variance that of its light or more."""
    even, noise = np.full(20, 490.0), np.full(20, 7.0)
    assert limit_of_one(even, noise, False) == 7.0
    assert limit_of_one(even, noise, True, 14.7) == pytest.approx(0.07)
    assert limit_of_one(even - 489.0, noise, True) == 7.0
    assert limit_of_one(even - 500.0, noise, True) == 7.0
    uneven = np.linspace(490.0, 590.0, 21)
    assert limit_of_one(uneven, np.full(21, 7.0), False) == pytest.approx(49 / 95, rel=0.01)


def test_what_is_given_goes_before_the_sky():
    """The sky is asked only where neither flats nor equipment nor header tell the gain."""
    assert choose_gain(None, None, 1.3).value == 1.3
    assert choose_gain(None, None, None).value == 0


@pytest.mark.parametrize(
    ("folder", "pattern"),
    [("slow-mover", "*ight*.fz"), ("changing-seeing", "a-240s.Light*.fz")],
)
def test_the_gain_of_a_camera_is_that_of_its_header(raw_series, folder, pattern):
    """Without bias or flat the sky of a night tells the EGAIN in its headers within 5 %."""
    lights = sorted(raw_series(folder).folder.glob(pattern))
    pairs, header = [], fits.getheader(lights[0], 1)
    for k in range(0, len(lights) - 1, 2):
        first, second = (fits.getdata(path).astype(np.float32) for path in lights[k : k + 2])
        pairs.append(_cells(first, second))
    found = light_variance(pairs)
    assert 1 / found.estimate == pytest.approx(header["EGAIN"], rel=0.05)
    assert 1 / found.limit <= header["EGAIN"]
