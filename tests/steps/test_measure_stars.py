import json
import os
import shutil

import numpy as np
import pytest
from astropy.io import fits
from astropy.table import Table
from calibrate_sub import calibrate_sub
from measure_stars import measure_stars

from platefiles.calibration.note_sentences import sentence
from platefiles.core.errors import UserError
from platefiles.fits.products_io import read_header, read_image, read_table
from platefiles.plan.calibration_jobs import calibrate_job, measure_stars_job
from platefiles.subs.measures import read_measures

NIGHT = "2026-03-23"


@pytest.fixture(scope="module")
def measures(bench):
    """Measures of the green subs of the first night."""
    return bench.make_measures("g", NIGHT)


def _lights(bench):
    return bench.plan.lights("g", NIGHT)


def _job(bench, **changes):
    return json.loads(measure_stars_job(bench.plan, "g", NIGHT)) | changes


def test_each_sub_is_a_row(bench, measures):
    """Subs come in the order of time with digest, size, sky, noise, stars and their width."""
    subs = read_measures([measures])
    assert [sub.id for sub in subs] == [frame.id for frame in _lights(bench)]
    truth = bench.truth["frames"]
    for sub in subs:
        known = truth[sub.facts["name"].removesuffix(".fits")]
        assert sub.usable
        assert sub.good
        assert sub.facts["sha256"] == known["sha256"]
        assert (sub.facts["width_px"], sub.facts["height_px"]) == (320, 240)
        assert sub.facts["sky"] / 180 == pytest.approx(known["sky_e_s"], rel=0.12)
        assert sub.facts["fwhm_px"] == pytest.approx(known["sub"]["fwhm_px"], rel=0.2)
        assert len(sub.stars) >= sub.facts["stars"] == len(sub.good_stars)
        assert sub.mesh.level.shape == sub.mesh.noise.shape


def test_noise_is_that_of_the_photons(bench, measures):
    """The noise of a flat sky is read noise and photon noise in quadrature, within 8 %."""
    for sub in read_measures([measures]):
        expected = np.hypot(np.sqrt(sub.facts["sky"]), sub.facts["read_noise"])
        assert sub.facts["noise"] == pytest.approx(expected, rel=0.08)
        assert sub.facts["gain"] == pytest.approx(0.85, rel=0.03)


def test_stars_are_where_they_were_drawn(bench, measures):
    """Bright measured stars lie within 0.15 px rms of the truth, with fluxes in its order."""
    truth = bench.truth_table("stars")
    truth = truth[truth["flux_g"] > np.sort(truth["flux_g"])[-40]]
    for frame, sub in zip(_lights(bench), read_measures([measures]), strict=True):
        matrix = bench.matrix(frame)
        places = matrix[:, :2] @ np.stack([truth["x"], truth["y"]]) + matrix[:, 2:]
        inside = (abs(places[0] - 160) < 140) & (abs(places[1] - 120) < 100)
        places, flux = places[:, inside], np.asarray(truth["flux_g"])[inside]
        stars = sub.good_stars
        distance = np.hypot(
            places[0][:, None] - stars["x"][None], places[1][:, None] - stars["y"][None]
        )
        nearest = distance.min(axis=1)
        met = nearest < 1
        assert met.sum() >= 10
        assert met.mean() > 0.7
        assert np.sqrt(np.mean(nearest[met] ** 2)) < 0.15
        ratio = stars["flux"][distance.argmin(axis=1)][met] / flux[met]
        assert np.median(np.abs(ratio / np.median(ratio) - 1)) < 0.08


@pytest.fixture(scope="module")
def with_bad_subs(bench, as_scanned, tmp_path_factory):
    """Measures of a night of which each sub but the last is spoilt in another way."""
    folder = tmp_path_factory.mktemp("bad")
    lights = _lights(bench)
    paths = []
    for frame in [*lights, *lights]:
        paths.append(folder / f"{len(paths)}.fits")
        shutil.copy(frame.path, paths[-1])
        paths[-1].chmod(0o644)
    os.truncate(paths[0], 60000)
    paths[1].write_text("not a frame")
    shape = (240, 320)
    fits.PrimaryHDU(np.zeros(shape, np.uint16)).writeto(paths[2], overwrite=True)
    fits.PrimaryHDU(np.full(shape, np.nan, np.float32)).writeto(paths[3], overwrite=True)
    burnt = np.full(shape, 65535, np.uint16)
    burnt[::4] = fits.getdata(lights[0].path)[::4]
    fits.PrimaryHDU(burnt).writeto(paths[4], overwrite=True)
    fits.PrimaryHDU(np.zeros((2, *shape), np.uint16)).writeto(paths[5], overwrite=True)
    pixels = fits.getdata(paths[6]).astype(np.float32)
    pixels[40:80, 100:180] = np.nan
    fits.PrimaryHDU(pixels).writeto(paths[6], overwrite=True)
    job = _job(bench)
    job["subs"] = [sub | {"id": f"{sub['id']}_{n}"} for n in (1, 2) for sub in job["subs"]]
    out = folder / "measures.fits"
    measure_stars(paths, bench.masters_of(lights), out, as_scanned(job, paths))
    return read_measures([out])


def test_bad_subs_become_rows_with_their_reason(with_bad_subs):
    """A sub that cannot be used is a row that says why, and the others are measured."""
    said = [(sub.facts["state"], sub.facts["reason"]) for sub in with_bad_subs]
    assert said[0][0] == "unreadable"
    assert said[0][1].startswith("is cut short: 60000 bytes of ")
    assert said[1] == ("unreadable", "is not a FITS file")
    assert said[2] == ("unreadable", "shows nothing: its pixels are all equal")
    assert said[3] == ("unreadable", "has no usable pixels: all are masked or missing")
    assert said[4] == ("saturated", "more than half of the pixels are saturated")
    assert said[5] == ("unreadable", "is a cube (2 planes), where one plane is needed")
    assert said[7] == ("measured", "")
    assert with_bad_subs[7].facts["stars"] > 20
    assert not any(sub.usable for sub in with_bad_subs[:6])


def test_unreadable_subs_have_no_stars_and_no_sky(with_bad_subs):
    """What could not be measured is NaN or nothing, never a number that looks like one."""
    for sub in with_bad_subs[:4]:
        assert len(sub.stars) == 0
        assert sub.mesh is None
        assert np.isnan(sub.facts["fwhm_px"])


def test_hole_in_a_sub_does_not_spoil_it(with_bad_subs, measures):
    """A sub with a patch without data is measured on the rest, and no star lies in the patch."""
    sub, whole = with_bad_subs[6], read_measures([measures])[2]
    assert sub.usable
    assert sub.facts["sky"] == pytest.approx(whole.facts["sky"], rel=0.01)
    inside = (abs(sub.good_stars["x"] - 139.5) < 38) & (abs(sub.good_stars["y"] - 59.5) < 18)
    assert not inside.any()
    assert len(sub.good_stars) > 0.6 * len(whole.good_stars)


def test_night_of_bad_subs_alone_is_still_a_table(bench, as_scanned, tmp_path):
    """A night on which every sub is bad gives its rows and empty tables."""
    (tmp_path / "a.fits").write_text("not a frame")
    paths = [tmp_path / "a.fits"] * 4
    job = as_scanned(_job(bench), paths)
    measure_stars(paths, bench.masters_of(_lights(bench)), tmp_path / "m.fits", job)
    subs = read_measures([tmp_path / "m.fits"])
    assert [sub.condition for sub in subs] == ["unreadable"] * 4
    assert len(read_table(tmp_path / "m.fits", "STARS")) == 0


def test_vanished_disk_is_no_state_of_the_sub(bench, tmp_path):
    """A raw file out of reach stops the step; it must not be recorded as a bad sub for ever."""
    with pytest.raises(FileNotFoundError):
        measure_stars([tmp_path / "gone.fits"] * 4, [], tmp_path / "m.fits", _job(bench))
    assert os.listdir(tmp_path) == []


def test_measures_are_the_same_bytes_each_time(bench, measures, tmp_path):
    """A second run gives an equal file."""
    lights = _lights(bench)
    measure_stars(bench.raw(lights), bench.masters_of(lights), tmp_path / "m.fits", _job(bench))
    with open(measures, "rb") as first:
        assert (tmp_path / "m.fits").read_bytes() == first.read()


@pytest.mark.parametrize("threads", [1, 2, 3])
@pytest.mark.parametrize("together", [1, 2, 9])
def test_threads_do_not_change_a_byte(bench, measures, tmp_path, monkeypatch, threads, together):
    """However many threads there are and subs they measure in turn, the file is the same."""
    monkeypatch.setattr("platefiles.subs.measure_in_turn.MOST_TOGETHER", together)
    lights = _lights(bench)
    target = tmp_path / "m.fits"
    measure_stars(bench.raw(lights), bench.masters_of(lights), target, _job(bench), threads=threads)
    with open(measures, "rb") as first:
        assert target.read_bytes() == first.read()


def test_subs_of_other_masters_are_measured_in_turn(bench, tmp_path):
    """Subs with masters of their own, more than are kept, get what each gets by itself."""
    lights, job = _lights(bench), _job(bench)
    raw, masters = bench.raw(lights), bench.masters_of(lights)
    for sub, changes in zip(
        job["subs"], ({}, {"dark": None}, {"flat": None}, {"dark_scale": 0.5}), strict=True
    ):
        sub |= changes
    measure_stars(raw, masters, tmp_path / "all.fits", job)
    together = read_measures([tmp_path / "all.fits"])
    for path, facts, sub in zip(raw, job["subs"], together, strict=True):
        measure_stars([path], masters, tmp_path / "one.fits", job | {"subs": [facts]})
        (alone,) = read_measures([tmp_path / "one.fits"])
        assert alone.facts == sub.facts
        np.testing.assert_array_equal(alone.stars, sub.stars)
        np.testing.assert_array_equal(alone.mesh.level, sub.mesh.level)
    assert len({sub.facts["sky"] for sub in together}) == 4


def test_frames_of_any_size_need_no_masters(bench, as_scanned, tmp_path):
    """Frames that are calibrated already may each be of another size."""
    job = _job(bench, camera={"calibrated": True})
    frame = fits.getdata(_lights(bench)[0].path).astype(np.float32)
    paths = []
    parts = np.s_[:], np.s_[20:], np.s_[:, 60:], np.s_[5:, 9:]
    for sub, part in zip(job["subs"], parts, strict=True):
        sub |= {"bias": None, "dark": None, "flat": None, "egain": None}
        paths.append(tmp_path / f"{len(paths)}.fits")
        fits.PrimaryHDU(frame[part]).writeto(paths[-1])
    measure_stars(paths, [], tmp_path / "m.fits", as_scanned(job, paths))
    whole, *cut = read_measures([tmp_path / "m.fits"])
    for sub, (dx, dy) in zip(cut, ((0, 20), (60, 0), (9, 5)), strict=True):
        assert (sub.facts["width_px"], sub.facts["height_px"]) == (320 - dx, 240 - dy)
        near = np.hypot(
            whole.stars["x"][:, None] - dx - sub.stars["x"],
            whole.stars["y"][:, None] - dy - sub.stars["y"],
        )
        assert (near.min(axis=1) < 0.05).sum() > 0.7 * len(whole.stars)


def test_compressed_frames_give_the_same(bench, as_scanned, measures, tmp_path):
    """Losslessly compressed frames, by tiles or as a whole, have the measures of plain ones."""
    lights = _lights(bench)
    paths = []
    for frame in lights:
        header, pixels = fits.getheader(frame.path), fits.getdata(frame.path)
        paths.append(tmp_path / f"{len(paths)}.fits")
        if len(paths) % 2:
            fits.CompImageHDU(pixels, header=header).writeto(paths[-1])
        else:
            paths[-1] = paths[-1].with_suffix(".fits.gz")
            fits.PrimaryHDU(pixels, header=header).writeto(paths[-1])
    job = as_scanned(_job(bench), paths)
    measure_stars(paths, bench.masters_of(lights), tmp_path / "m.fits", job)
    for sub, plain in zip(
        read_measures([tmp_path / "m.fits"]), read_measures([measures]), strict=True
    ):
        np.testing.assert_array_equal(sub.stars, plain.stars)
        assert sub.facts | {"sha256": ""} == plain.facts | {"sha256": ""}


def test_masters_of_another_size_are_refused(bench, as_scanned, tmp_path):
    """A frame that its masters do not fit stops the step."""
    pixels = fits.getdata(_lights(bench)[0].path)
    fits.PrimaryHDU(pixels[:200]).writeto(tmp_path / "a.fits")
    paths = [tmp_path / "a.fits"] * 4
    masters, job = bench.masters_of(_lights(bench)), as_scanned(_job(bench), paths)
    with pytest.raises(ValueError, match=r"raw frame is \(200, 320\), its correction"):
        measure_stars(paths, masters, tmp_path / "m.fits", job)


SETS = {
    "bias_only": ("dark", "flat"),
    "dark_only": ("bias", "flat"),
    "none": ("bias", "dark", "flat"),
    "no_bias": ("bias",),
    "no_flat": ("flat",),
}


@pytest.mark.parametrize("missing", SETS.values(), ids=SETS)
def test_missing_masters_are_gone_without_and_told(make_bench, tiny_raw, tmp_path, missing):
    """With any of the masters missing the subs are measured all the same, and notes say so."""
    patterns = [f"*{kind}-*" for kind in missing]
    bench = make_bench(tmp_path, tiny_raw, exclude=patterns)
    kinds = {group.kind for group in bench.plan.matched.masters}
    assert kinds == {"bias", "dark", "flat"} - set(missing)
    notes = "\n".join(map(sentence, bench.plan.matched.notes))
    words = {"bias": "bias frames", "dark": "darks", "flat": "flats"}
    assert all(f"There are no {words[kind]}" in notes for kind in missing)
    subs = read_measures([bench.make_measures("g", NIGHT)])
    assert [sub.condition for sub in subs] == ["measured"] * 4
    for sub in subs:
        assert all(sub.facts[kind] == "none" for kind in missing)
        assert sub.facts["stars"] > 25
        level = sub.facts["sky"] - (0 if kinds & {"bias", "dark"} else 500 * sub.facts["gain"])
        known = bench.truth["frames"][sub.facts["name"].removesuffix(".fits")]["sky_e_s"]
        assert level / 180 == pytest.approx(known, rel=0.15)


def test_calibrated_sub_is_what_the_steps_see(bench, tmp_path):
    """A stored sub is in electrons, with its masters, and its sky and noise are those measured."""
    frame = _lights(bench)[0]
    path = tmp_path / "sub.fits"
    job = json.loads(calibrate_job(bench.plan, frame.id))
    calibrate_sub(frame.path, bench.masters_of([frame]), path, job)
    values, header = read_image(path)
    variance, _ = read_image(path, "VAR")
    mask, _ = read_image(path, "MASK")
    primary = read_header(path)
    assert (header["BUNIT"], read_image(path, "VAR")[1]["BUNIT"]) == ("electron", "electron2")
    assert primary["RAWNAME"] == frame.name
    assert primary["RAWSHA"] == bench.truth["frames"]["2026-03-23/g-01"]["sha256"]
    assert primary["MDARK"].startswith("dark_180s")
    assert primary["DATE-BEG"] == "2026-03-23T23:21:04.000"
    (sub, *_) = read_measures([bench.make_measures("g", NIGHT)])
    assert np.median(values) == pytest.approx(sub.facts["sky"], rel=0.03)
    assert np.sqrt(np.median(variance)) == pytest.approx(sub.facts["noise"], rel=0.1)
    faults = bench.truth_table("pixels")
    dead = faults[faults["fault"] == "dead"]
    assert (mask[dead["y"], dead["x"]] & 1).all()


def test_calibration_agrees_with_the_formula(bench, tmp_path):
    """Good pixels of a calibrated sub are gain (raw - bias - dark) / flat of the masters."""
    frame = _lights(bench)[1]
    job = json.loads(calibrate_job(bench.plan, frame.id))
    masters = {path.split("/")[-1].split("_")[0]: path for path in bench.masters_of([frame])}
    calibrate_sub(frame.path, list(masters.values()), tmp_path / "sub.fits", job)
    values, _ = read_image(tmp_path / "sub.fits")
    mask, _ = read_image(tmp_path / "sub.fits", "MASK")
    gain = read_header(tmp_path / "sub.fits")["GAIN"]
    images = {kind: read_image(path)[0].astype(np.float64) for kind, path in masters.items()}
    raw = fits.getdata(frame.path).astype(np.float64)
    expected = gain * (raw - images["bias"] - images["dark"]) / images["flat"]
    good = mask == 0
    np.testing.assert_allclose(values[good], expected[good], rtol=2e-5, atol=2e-3)


def test_sub_that_cannot_be_calibrated_is_a_sentence(bench, as_scanned, tmp_path):
    """A stored sub that was asked for and cannot be made names the file and the remedy."""
    frame = _lights(bench)[0]
    (tmp_path / "a.fits").write_text("not a frame")
    job = as_scanned(json.loads(calibrate_job(bench.plan, frame.id)), [tmp_path / "a.fits"])
    said = "2026-03-23/g-01.fits is not a FITS file; leave it out with exclude"
    with pytest.raises(UserError, match=said):
        calibrate_sub(tmp_path / "a.fits", bench.masters_of([frame]), tmp_path / "s.fits", job)
    assert not (tmp_path / "s.fits").exists()


def test_tables_can_be_read_by_others(measures):
    """Astropy alone reads the tables, with the columns that the record documents."""
    assert {"id", "state", "reason", "fwhm_px"} <= set(Table.read(measures, "SUBS").colnames)
    assert {"sub", "x", "y", "flux", "fwhm", "flags"} <= set(Table.read(measures, "STARS").colnames)


def _without_gain(bench, **kinds):
    """Job of the green subs with nothing that tells the gain, and the masters of some kinds."""
    job = _job(bench)
    job["camera"] = dict.fromkeys(job["camera"])
    for sub in job["subs"]:
        sub.update({"bias": None, "dark": None, "flat": None, "egain": None} | kinds)
    return job


@pytest.mark.parametrize("with_bias", [True, False])
def test_an_unknown_gain_comes_from_the_noise_of_the_sky(bench, measures, tmp_path, with_bias):
    """The variance of light is not understated, whether or not a bias tells the zero point."""
    bias = _job(bench)["subs"][0]["bias"] if with_bias else None
    masters = [path for path in bench.masters_of(_lights(bench)) if bias and bias in path]
    job = _without_gain(bench, bias=bias)
    path = tmp_path / "m.fits"
    measure_stars(bench.raw(_lights(bench)), masters, path, job)
    known = read_measures([measures])
    for sub, like in zip(read_measures([path]), known, strict=True):
        facts = sub.facts
        assert facts["gain_source"] == "sky noise"
        assert facts["light_variance"] == pytest.approx(1 / facts["gain"], rel=0.01)
        assert facts["gain"] <= 1.03 * 0.85
        if with_bias:
            assert facts["gain"] > 0.8 * 0.85
        bright = sub.good_stars[:20]
        ratio = np.median(bright["flux"]) / np.median(like.good_stars["flux"][:20])
        assert ratio == pytest.approx(1 / 0.85, rel=0.1)  # ADU, not electrons
        assert (bright["flux_error"] >= 0.95 * np.sqrt(bright["flux"] / 0.85)).all()


def test_stars_of_a_sub_of_unknown_gain_do_not_depend_on_the_others(bench, tmp_path):
    """The stars of the grid's reference are the same when their night gets more subs."""
    together = _without_gain(bench)
    alone = {**together, "subs": together["subs"][1:2]}
    raw = bench.raw(_lights(bench))
    measure_stars(raw, [], tmp_path / "all.fits", together)
    measure_stars(raw[1:2], [], tmp_path / "one.fits", alone)
    one, other = (
        read_measures([tmp_path / "all.fits"])[1],
        read_measures([tmp_path / "one.fits"])[0],
    )
    np.testing.assert_array_equal(one.stars, other.stars)
    np.testing.assert_array_equal(one.mesh.noise, other.mesh.noise)
    assert other.facts["gain_source"] == "sky noise"
    assert other.facts["gain"] <= 0.85


@pytest.mark.parametrize("calibrated", [False, True])
def test_a_stored_sub_of_unknown_gain_has_the_noise_of_its_sky(bench, tmp_path, calibrated):
    """VAR is that of the sky, and more on stars of raw frames; it is 0 nowhere."""
    frame = _lights(bench)[0]
    job = json.loads(calibrate_job(bench.plan, frame.id))
    job["camera"] = {"calibrated": True} if calibrated else dict.fromkeys(job["camera"])
    job["sub"].update({"bias": None, "dark": None, "flat": None, "egain": None})
    calibrate_sub(frame.path, [], tmp_path / "s.fits", job)
    (image, _), (variance, _) = (read_image(tmp_path / "s.fits", name) for name in ("SCI", "VAR"))
    scatter = 1.4826 / np.sqrt(2) * np.median(np.abs(np.diff(image)))  # of neighbours
    assert np.sqrt(variance.min()) == pytest.approx(scatter, rel=0.2)
    assert (variance > 0).all()
    light = image - np.median(image)
    bright = light > 20 * scatter
    assert bright.sum() > 20
    if calibrated:
        assert np.ptp(variance) == 0
    else:
        assert (variance[bright] > light[bright] / 0.85).all()
