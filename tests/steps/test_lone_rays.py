"""Cosmic rays at the edge of the grid, where the reference alone has data."""

import json
from contextlib import ExitStack

import numpy as np
import pytest
from astropy.io import fits
from register_sub import register_sub

from platefiles.audit.pixel_history import Source, pixel_history
from platefiles.calibration.master_library import Masters
from platefiles.fits.products_io import read_image, read_table
from platefiles.integration.integrate_job import IntegrateJob
from platefiles.integration.opened_subs import open_subs
from platefiles.plan.channel_jobs import integrate_job, register_sub_job
from platefiles.registration.registration_table import read_registration

SHAPE = (220, 280)
SUBS, MOVED, NOISE = 6, 34, 2.0
"""All subs but the reference lie so many columns to the right, and leave a strip to it."""


BRIGHT = ((11.0, 40.2, 900.0), (19.5, 110.7, 300.0), (14.0, 180.3, 120.0))
"""Place and peak of three stars in the strip."""


def _stars():
    rng = np.random.default_rng(7)
    x, y = rng.uniform(-30, SHAPE[1] + 60, 120), rng.uniform(5, SHAPE[0] - 5, 120)
    stars = np.stack([x, y, 60 * 10 ** rng.uniform(0, 1.5, 120)], axis=1)
    return np.concatenate([stars, BRIGHT])


def _light(dx):
    rows, columns = np.ogrid[: SHAPE[0], : SHAPE[1]]
    light = np.full(SHAPE, 50.0)
    for x, y, peak in _stars():
        light += peak * np.exp(-2.77 * ((columns - x + dx) ** 2 + (rows - y) ** 2) / 3.1**2)
    return light


def _apart_from_stars():
    rows, columns = np.ogrid[: SHAPE[0], : SHAPE[1]]
    return np.min([np.hypot(columns - x, rows - y) for x, y, _ in _stars()], axis=0) > 4


def _tracks(rng):
    """Return a plane of short tracks in the strip and elsewhere."""
    plane = np.zeros(SHAPE)
    for left, right in ((8, MOVED - 6), (80, 260)):
        for y in range(12, SHAPE[0] - 12, 13):
            x, length = int(rng.integers(left, right)), int(rng.integers(1, 4))
            plane[y, x : x + length] = rng.uniform(60, 500)
    return plane


def _draw(folder, with_tracks):
    folder.mkdir(parents=True)
    hits = _tracks(np.random.default_rng(3))
    for number in range(SUBS):
        rng = np.random.default_rng(number + 10)
        dx = MOVED + 0.4 * number if number else 0.0
        image = _light(dx) + rng.normal(0, NOISE, SHAPE)
        if number == 0 and with_tracks:
            image += hits
        header = fits.Header()
        header.update(FILTER="g", IMAGETYP="light", EXPTIME=60.0, BUNIT="adu")
        header["DATE-OBS"] = f"2031-02-03T22:{number:02d}:00"
        fits.PrimaryHDU(image.astype(np.float32), header).writeto(folder / f"g-{number}.fits")
    return hits


def _bench_of(make_bench, folder, with_tracks, **integration):
    _draw(folder / "raw", with_tracks)
    mapping = {"red": {"g": 1}, "green": {"g": 1}, "blue": {"g": 1}, "luminance": None}
    return make_bench(
        folder,
        folder / "raw",
        calibrated=True,
        reference="g-0.fits",
        channels={"g": {"filters": ["g"]}},
        overrides={"mapping": mapping, "integration": integration},
    )


@pytest.fixture(scope="module")
def hit(make_bench, tmp_path_factory):
    """Six subs, of which the reference is full of tracks and reaches farther left."""
    return _bench_of(make_bench, tmp_path_factory.mktemp("hit"), True)


@pytest.fixture(scope="module")
def clean(make_bench, tmp_path_factory):
    """The same without tracks."""
    return _bench_of(make_bench, tmp_path_factory.mktemp("clean"), False)


def test_tracks_go_where_one_sub_alone_covers(hit, clean):
    """What was hit, but on stars, is without data; all else is as it was, stars too."""
    image, _ = read_image(hit.make_channel("g"))
    plain, _ = read_image(clean.make_channel("g"))
    count, _ = read_image(hit.make_channel("g"), "COUNT")
    hits = _tracks(np.random.default_rng(3)) > 0
    strip = np.s_[6:-6, 6 : MOVED - 8]
    assert (count[strip] <= 1).all()
    there = (hits & _apart_from_stars())[strip]
    assert there.sum() > 15
    assert np.isnan(image[strip][there]).mean() > 0.95
    off = np.abs(image - plain)[strip]
    assert np.nanmax(off[(off == off) & ~hits[strip]]) < 8 * NOISE
    assert np.isnan(off).sum() < 4 * hits[strip].sum()
    x, y, _ = BRIGHT[0]
    part = np.s_[round(y) - 1 : round(y) + 2, round(x) - 1 : round(x) + 2]
    np.testing.assert_allclose(image[part], plain[part], rtol=1e-3)


def test_nothing_of_stars_is_taken(clean):
    """Without tracks hardly a pixel is called hit, and none on the stars of the strip."""
    inputs = read_table(clean.make_channel("g"), "INPUTS")
    assert inputs["ray_pixels"].max() <= 3
    image, _ = read_image(clean.make_channel("g"))
    truth = _light(0.0)
    for x, y, _ in BRIGHT:
        part = np.s_[round(y) - 2 : round(y) + 3, round(x) - 2 : round(x) + 3]
        np.testing.assert_allclose(image[part], truth[part], atol=6 * NOISE)


def test_pixels_are_counted_in_the_sub_that_has_them(hit):
    """The table of inputs counts those of the reference alone, and only where it is alone."""
    inputs = read_table(hit.make_channel("g"), "INPUTS")
    pixels = dict(zip(inputs["name"], inputs["ray_pixels"], strict=True))
    strip = (_tracks(np.random.default_rng(3)) > 0)[:, : MOVED - 2].sum()
    assert 0.7 * strip < pixels["g-0.fits"] < 2.5 * strip
    assert all(pixels[f"g-{k}.fits"] <= 2 for k in range(1, SUBS))


def test_a_stored_registered_sub_and_one_pixel_are_those_of_the_integration(hit, tmp_path):
    """All three make the same pixels bad."""
    plan, registration = hit.plan, hit.make_registration("g")
    (frame,) = (f for f in plan.lights("g") if f.name == "g-0.fits")
    job = json.loads(register_sub_job(plan, "g", frame.id))
    register_sub(frame.path, [], registration, tmp_path / "r.fits", job)
    values, _ = read_image(tmp_path / "r.fits")
    channel = hit.make_channel("g")
    image, _ = read_image(channel)
    lone = (read_image(channel, "COUNT")[0] == 1) & np.isfinite(values)
    assert lone.sum() > 2000
    np.testing.assert_allclose(values[lone], image[lone], rtol=1e-6)
    lights = plan.lights("g")
    inputs = {"raw": hit.raw(lights), "masters": [], "registration": [registration]}
    y, x = np.argwhere(_tracks(np.random.default_rng(3))[:, : MOVED - 8] > 0)[3]
    source = Source(channel, integrate_job(plan, "g"), inputs)
    assert pixel_history(source, [], x + 1, y + 1).same


def test_never_means_never(make_bench, hit, tmp_path):
    """With `single_frame_cosmic_rays: never`, and without clipping, nothing is searched."""
    for number, setting in enumerate(({"single_frame_cosmic_rays": "never"}, {"clip": "none"})):
        bench = _bench_of(make_bench, tmp_path / str(number), True, **setting)
        assert not read_table(bench.make_channel("g"), "INPUTS")["ray_pixels"].any()
    job = json.loads(integrate_job(hit.plan, "g"))
    assert job["lone_pixels"] is True


def test_subs_are_opened_in_the_same_way_twice(hit):
    """The hits depend on the registration and the frames alone."""
    plan, lights = hit.plan, hit.plan.lights("g")
    job = json.loads(integrate_job(plan, "g"))
    counts = []
    for _ in range(2):
        registered, shape = read_registration(hit.make_registration("g"))
        with ExitStack() as stack:
            given = IntegrateJob.of(job)
            open_subs(stack, hit.raw(lights), Masters([]), registered, {}, given, shape)
        counts.append([row.facts["ray_pixels"] for row in registered])
    assert counts[0] == counts[1]
    assert max(counts[0]) > 20
