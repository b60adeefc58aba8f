"""The tiny set as stored by a camera with overscan, whose bias level drifts and jumps."""

import json

import numpy as np
import pytest
from astropy.io import fits
from calibrate_sub import calibrate_sub

from platefiles.fits.products_io import read_header, read_image
from platefiles.plan.calibration_jobs import calibrate_job
from platefiles.provenance.record import read_record
from platefiles.subs.measures import read_measures

NIGHT = "2026-03-23"
LEFT, RIGHT, BELOW = 3, 24, 2
"""Columns and rows that are stored around the image; the overscan is the last 20 columns."""


@pytest.fixture(scope="module")
def scanned(bench, make_bench, tmp_path_factory):
    """A bench for frames with overscan: those of the green subs of the first night."""
    raw = tmp_path_factory.mktemp("overscan") / "raw"
    lights = bench.plan.lights("g", NIGHT)
    names = bench.plan.masters_of(lights)
    frames = [*lights]
    for name, group in bench.plan.masters.items():
        if bench.plan.paths.master(name) in names:
            frames += [bench.plan.by_id[frame_id] for frame_id in group.frame_ids]
    for number, frame in enumerate(frames):
        path = raw / frame.name
        path.parent.mkdir(parents=True, exist_ok=True)
        with fits.open(frame.path) as hdus:
            _with_overscan(hdus[0].data, hdus[0].header, number).writeto(path)
    return make_bench(
        raw.parent,
        raw,
        channels={"g": {"filters": ["G"]}},
        recipe="single-channel",
        overrides={},
        pictures={},
    )


def _with_overscan(pixels, header, number):
    """Store a frame with whole ADU of a level that differs from frame to frame and drifts."""
    rng = np.random.default_rng(number)
    ny, nx = pixels.shape
    rows = np.arange(ny + BELOW)
    level = np.rint(rng.uniform(-60, 60) + rng.uniform(20, 40) * np.exp(-rows / 50)).astype(int)
    shape = (ny + BELOW, LEFT + nx + RIGHT)
    stored = 700 + level[:, None] + np.rint(rng.normal(0, 4, shape)).astype(int)
    stored[BELOW:, LEFT : LEFT + nx] = pixels.astype(int) + level[BELOW:, None]
    header = header.copy()
    header["TRIMSEC"] = f"[{LEFT + 1}:{LEFT + nx},{BELOW + 1}:{BELOW + ny}]"
    header["BIASSEC"] = f"[{shape[1] - 19}:{shape[1]},1:{shape[0]}]"
    return fits.PrimaryHDU(np.clip(stored, 0, 65535).astype(np.uint16), header)


def test_the_sheet_has_the_size_that_is_kept(scanned, bench):
    """Frames and settings are those of the image alone, and the sections stand beside them."""
    frames = {frame.name: frame for frame in bench.plan.frames}
    for frame in scanned.plan.frames:
        plain = frames[frame.name]
        assert (frame.role, frame.setting) == (plain.role, plain.setting)
        assert (frame.width_px, frame.height_px) == (plain.width_px, plain.height_px)
        assert (frame.trim_section, frame.bias_section) == ("[4:323,3:242]", "[328:347,1:242]")


def test_masters_are_those_of_frames_without_overscan(scanned, bench):
    """Levels that differ from frame to frame leave the noise and the structure of masters alone."""
    lights = scanned.plan.lights("g", NIGHT)
    for path, plain in zip(scanned.masters_of(lights), bench.masters_of(lights), strict=True):
        (values, _), (expected, _) = read_image(path), read_image(plain)
        variance, _ = read_image(plain, "VAR")
        difference = values - expected
        difference -= np.nanmedian(difference)  # the bias lost its level
        assert np.nanstd(difference) < 0.5 * np.sqrt(np.nanmedian(variance))
        header = read_header(path)
        assert header["OVERSCAN"] == "[328:347,1:242]"
        assert header["TRIMMED"] == "[4:323,3:242]"
    bias, plain = (b.masters_of(lights)[0] for b in (scanned, bench))
    assert "bias" in bias
    assert abs(np.median(read_image(bias)[0]) - (np.median(read_image(plain)[0]) - 700)) < 0.5
    assert read_header(bias)["RNOISE"] == pytest.approx(read_header(plain)["RNOISE"], rel=0.03)


def test_calibrated_subs_are_those_of_frames_without_overscan(scanned, bench, tmp_path):
    """They differ by less than a fifth of the read noise, rms; record and header tell why."""
    frame = scanned.plan.lights("g", NIGHT)[1]
    images = []
    for number, (one, sub) in enumerate(((scanned, frame), (bench, bench.plan.by_id[frame.id]))):
        path = tmp_path / f"{number}.fits"
        calibrate_sub(
            sub.path, one.masters_of([sub]), path, json.loads(calibrate_job(one.plan, sub.id))
        )
        images.append(read_image(path)[0])
    good = read_image(tmp_path / "1.fits", "MASK")[0] == 0
    difference = (images[0] - images[1])[good]
    rnoise_e = read_header(bench.masters_of([frame])[0])["RNOISE"] * 0.85
    assert np.std(difference) < 0.2 * rnoise_e
    assert abs(np.mean(difference)) < 0.2 * rnoise_e
    header = read_header(tmp_path / "0.fits")
    assert (header["OVERSCAN"], header["TRIMMED"]) == ("[328:347,1:242]", "[4:323,3:242]")
    assert "OVERSCAN" not in read_header(tmp_path / "1.fits")
    job = json.loads(read_record(tmp_path / "0.fits").making.job)
    assert job["sub"]["sections"] == {"trim": "[4:323,3:242]", "bias": "[328:347,1:242]"}


def test_positions_are_those_in_the_part_that_is_kept(scanned, bench):
    """Stars are measured where they are in the frame without overscan."""
    for one, other in zip(
        read_measures([scanned.make_measures("g", NIGHT)]),
        read_measures([bench.make_measures("g", NIGHT)]),
        strict=True,
    ):
        assert (one.facts["width_px"], one.facts["height_px"]) == (320, 240)
        assert one.facts["sky"] == pytest.approx(other.facts["sky"], abs=1.0)
        bright = other.good_stars[:10]
        for star in bright:
            distance = np.hypot(one.stars["x"] - star["x"], one.stars["y"] - star["y"])
            assert distance.min() < 0.05
