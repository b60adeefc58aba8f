"""Cleaning of channels with few subs, from raw frames to the integrated image."""

import json
from dataclasses import replace

import astroscrappy
import ccdproc
import numpy as np
import pytest
from astropy import units as u
from astropy.nddata import CCDData
from calibrate_sub import calibrate_sub
from find_cosmic_rays import find_cosmic_rays
from integrate import integrate
from register_sub import register_sub

from draw_demo import draw_raw
from platefiles.calibration.master_library import Masters
from platefiles.fits.products_io import read_header, read_image, read_table
from platefiles.plan.calibration_jobs import calibrate_job, cosmic_rays_job
from platefiles.plan.channel_jobs import integrate_job, register_sub_job
from platefiles.raw_frames.raw_frame import open_raw
from platefiles.registration.registration_table import read_registration
from platefiles.subs.calibrated_sub import Sub
from platefiles.subs.hit_pixels import read_hit_pixels
from platefiles.subs.measures import read_measures
from platelib.bad_pixels.interpolate import interpolate_bad_pixels
from platelib.cosmic_rays.exclusion_mask import shielded
from platelib.numerics.mask_bits import BAD, SATURATED
from platelib.simulate.demo import tiny_plan

NIGHT = "2026-03-23"
SUBS = 4
RAYS = 80
"""Tracks a sub: far more than any real one of 0.08 Mpx has, so that there is something to count."""


def _draw(folder, rays):
    """Four green subs with so many particle tracks each."""
    plan = tiny_plan(seed=4)
    night = replace(plan.nights[0], blocks=(("g", SUBS, False),))
    changes = {f"{NIGHT}/g-{k + 1:02d}": {"cosmic_rays": rays} for k in range(SUBS)}
    draw_raw(replace(plan, nights=(night,), changes=changes), folder)
    return folder


@pytest.fixture(scope="module")
def few(make_bench, tmp_path_factory):
    """A bench of four subs full of tracks."""
    folder = tmp_path_factory.mktemp("few")
    return make_bench(folder, _draw(folder / "raw", RAYS))


@pytest.fixture(scope="module")
def still(make_bench, tmp_path_factory):
    """The same bench without any track."""
    folder = tmp_path_factory.mktemp("still")
    return make_bench(folder, _draw(folder / "raw", 0))


def _rays(bench, raw=None, path=None):
    """Run the step; return its product."""
    lights = bench.plan.lights("g", NIGHT)
    path = path or bench.plan.rays_of(lights)[0]
    job = json.loads(cosmic_rays_job(bench.plan, "g", NIGHT))
    measures = bench.make_measures("g", NIGHT)
    find_cosmic_rays(raw or bench.raw(lights), bench.masters_of(lights), measures, path, job)
    return path


@pytest.fixture(scope="module")
def rays(few):
    """Product of the step."""
    return _rays(few)


def _integrated(bench, path, count, rays=()):
    """Integrate the first so many subs; return the image and its variance."""
    lights = bench.plan.lights("g")
    job = json.loads(integrate_job(bench.plan, "g"))
    job |= {"subs": job["subs"][:count]}
    masters, registration = bench.masters_of(lights), bench.make_registration("g")
    integrate(bench.raw(lights[:count]), masters, registration, path, job, paths_to_rays=rays)
    return read_image(path)[0], read_image(path, "VAR")[0]


def _inputs(bench, frame, sub):
    """What the rule sees of a sub."""
    measured = {sub.id: sub for sub in read_measures([bench.make_measures("g", NIGHT)])}[frame.id]
    values, variance, mask = sub.calibrated(0, sub.shape[0])
    interpolate_bad_pixels(variance, mask)
    variance *= np.float32(measured.facts["excess"])
    return values, variance, shielded(mask, measured.stars)


def test_masks_are_those_of_the_library(few, rays):
    """Each mask equals Astro-SCRAPPY's of the same calibrated sub, directly and through ccdproc."""
    found = read_hit_pixels([rays])
    masters = Masters(few.masters_of(few.plan.lights("g")))
    for facts, frame in zip(
        json.loads(cosmic_rays_job(few.plan, "g", NIGHT))["subs"],
        few.plan.lights("g"),
        strict=True,
    ):
        with open_raw(frame.path) as image:
            sub = Sub(image, facts, masters, {})
            values, variance, mask = _inputs(few, frame, sub)
        bad = mask & BAD != 0
        assert not (mask & SATURATED).any()
        options = {"invar": variance, "satlevel": sub.saturation}
        wanted, _ = astroscrappy.detect_cosmics(values, inmask=bad, **options)
        again = ccdproc.cosmicray_lacosmic(
            CCDData(values, unit="electron", mask=bad), gain=1 * u.one, **options
        )
        mine = np.zeros(wanted.shape, dtype=bool)
        mine[found[frame.id].y, found[frame.id].x] = True
        assert mine.sum() > 2 * RAYS
        np.testing.assert_array_equal(mine, wanted)
        np.testing.assert_array_equal(mine | bad, again.mask)


def _left(few, still, result, reference, count):
    """Hits in the first subs, away from stars and edges, and how many stand out by 5 sigma."""
    (image, variance), (clean, other) = result, reference
    pull = (image - clean) / np.sqrt(variance + other)
    truth = few.truth_table("cosmic_rays")
    stars = {sub.id: sub.stars for sub in read_measures([still.make_measures("g", NIGHT)])}
    names = {frame.name: frame.id for frame in still.plan.lights("g")}
    y, x = (part.ravel().astype(float) for part in np.indices(image.shape))
    hits = left = 0
    for row in read_registration(few.make_registration("g"))[0][:count]:
        u, v = (part.reshape(image.shape) for part in row.transform(x, y))
        known = stars[names[row.facts["name"]]]
        for ray in truth[truth["frame"] == row.facts["name"].removesuffix(".fits")]:
            edge = min(ray["x"], ray["y"], 319 - ray["x"], 239 - ray["y"])
            star = np.hypot(known["x"] - ray["x"], known["y"] - ray["y"]).min()
            near = np.hypot(u - ray["x"], v - ray["y"]) < 0.8
            if edge > 6 and star > 5 and near.any():
                hits += 1
                left += bool((pull[near] > 5).any())
    return hits, left


@pytest.mark.parametrize("count", [1, 2, 3, 4])
def test_tracks_are_gone_from_few_subs(few, still, rays, tmp_path, count):
    """Of the hits in one to four subs under 5 % are left: clumps of tracks that pass for a star.

    If single frames are not searched, one sub keeps all hits.
    """
    reference = _integrated(still, tmp_path / "still.fits", count)
    plain = _integrated(few, tmp_path / "plain.fits", count)
    clean = _integrated(few, tmp_path / "clean.fits", count, [rays])
    hits, left = _left(few, still, clean, reference, count)
    _, before = _left(few, still, plain, reference, count)
    assert hits > 200 * count
    assert left < 0.05 * hits
    assert left <= before
    assert (before > 0.8 * hits) == (count == 1)


@pytest.mark.parametrize("count", [1, 4])
def test_stars_keep_their_light(still, tmp_path, count):
    """Without any track, searching takes less than 0.5 % of the light of any star."""
    before, _ = _integrated(still, tmp_path / "plain.fits", count)
    after, _ = _integrated(still, tmp_path / "searched.fits", count, [_rays(still)])
    registered, _ = read_registration(still.make_registration("g"))
    (measured,) = (
        sub
        for sub in read_measures([still.make_measures("g", NIGHT)])
        if sub.id == read_header(still.make_registration("g"))["GRIDREF"]
    )
    y, x = np.indices(before.shape)
    sky = np.nanmedian(before)
    for star in measured.good_stars:
        inside = (np.hypot(x - star["x"], y - star["y"]) < 6) & np.isfinite(before)
        change = np.where(np.isfinite(after), after, sky)[inside] - before[inside]
        assert abs(change.sum()) < 0.005 * (before[inside] - sky).sum()
    assert len(measured.good_stars) > 50


def test_stored_subs_are_without_tracks_too(few, rays, tmp_path):
    """What `calibrate_sub` and `register_sub` write has the tracks masked and interpolated."""
    (frame, *_) = few.plan.lights("g")
    hit, masters = read_hit_pixels([rays])[frame.id], few.masters_of([frame])
    job = json.loads(calibrate_job(few.plan, frame.id))
    calibrate_sub(frame.path, masters, tmp_path / "calibrated.fits", job, [rays])
    mask, _ = read_image(tmp_path / "calibrated.fits", "MASK")
    image, _ = read_image(tmp_path / "calibrated.fits")
    assert (mask[hit.y, hit.x] & BAD).all()
    calibrate_sub(frame.path, masters, tmp_path / "plain.fits", job)
    before, _ = read_image(tmp_path / "plain.fits")
    assert np.median(before[hit.y, hit.x]) > np.median(image[hit.y, hit.x]) + 100
    changed = np.flatnonzero(image != before)
    assert np.isin(changed, np.flatnonzero(mask & BAD)).all()
    job = json.loads(register_sub_job(few.plan, "g", frame.id))
    registration = few.make_registration("g")
    register_sub(frame.path, masters, registration, tmp_path / "registered.fits", job, [rays])
    wanted, _ = _integrated(few, tmp_path / "channel.fits", 1, [rays])
    found, _ = read_image(tmp_path / "registered.fits")
    np.testing.assert_allclose(found, wanted, rtol=1e-6)


def test_headers_and_tables_count_the_pixels(few, rays, tmp_path):
    """The product lists each sub; the channel repeats the number, and says that it searched."""
    header, subs = read_header(rays), read_table(rays, "SUBS")
    assert (header["STEP"], header["CHANNEL"], header["NIGHT"]) == ("find_cosmic_rays", "g", NIGHT)
    assert list(subs["id"]) == [frame.id for frame in few.plan.lights("g")]
    assert subs["pixels"].sum() == len(read_table(rays, "RAYS")) > 4 * RAYS
    np.testing.assert_array_equal(subs["contrast"], 5)
    _integrated(few, tmp_path / "g.fits", 4, [rays])
    inputs = read_table(tmp_path / "g.fits", "INPUTS")
    np.testing.assert_array_equal(inputs["ray_pixels"], subs["pixels"])
    settings = json.loads(read_header(tmp_path / "g.fits")["SETTINGS"])
    assert settings["integration"]["single_frame_cosmic_rays"] == "always"


def test_a_sub_that_cannot_be_read_has_no_tracks(still, tmp_path):
    """A file that went bad after it was measured costs nothing but its own row."""
    raw = still.raw(still.plan.lights("g"))
    broken = tmp_path / "broken.fits"
    broken.write_bytes(b"SIMPLE  =                    T")
    path = _rays(still, [broken, *raw[1:]])
    assert read_table(path, "SUBS")["pixels"][0] == 0
    assert len(read_hit_pixels([path])) == SUBS


def test_stars_as_sharp_as_tracks_are_not_searched(few, monkeypatch, caplog, tmp_path):
    """Where the width of the stars is below the limit nothing is removed, and the log says why."""
    monkeypatch.setattr("find_cosmic_rays.SHARPEST_FWHM_PX", 50.0)
    with caplog.at_level("WARNING"):
        path = _rays(few, path=tmp_path / "rays.fits")
    assert not read_table(path, "SUBS")["pixels"].any()
    assert caplog.text.count("below 50 px, stars are as sharp as tracks of particles") == SUBS


def test_frames_of_unknown_gain_are_searched_by_the_noise_of_the_sky(make_bench, few, tmp_path):
    """In frames that are called calibrated, without a gain, three in four hits are found."""
    bench = make_bench(tmp_path, few.plan.loaded.raw_folders[0], calibrated=True)
    truth = bench.truth_table("cosmic_rays")
    found = read_hit_pixels([_rays(bench)])
    for frame in bench.plan.lights("g"):
        mine = np.zeros((240, 320), dtype=bool)
        mine[found[frame.id].y, found[frame.id].x] = True
        hits = truth[(truth["frame"] == frame.name.removesuffix(".fits"))]
        hits = hits[hits["electrons"] > 400]
        assert mine[hits["y"], hits["x"]].mean() > 0.75
