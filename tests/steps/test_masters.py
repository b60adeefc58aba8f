import json
import os
import shutil
from pathlib import Path

import numpy as np
import pytest
from astropy.io import fits
from master_bias import master_bias
from master_dark import master_dark
from master_flat import master_flat

from platefiles.core.errors import UserError
from platefiles.fits.products_io import read_header, read_image, read_table
from platefiles.plan.calibration_jobs import master_job
from platelib.simulate.camera import build_camera, light_response
from platelib.simulate.demo import tiny_plan


def _names(bench, kind):
    return [name for name, group in bench.plan.masters.items() if group.kind == kind]


@pytest.fixture(scope="module")
def camera():
    """The simulated camera with its true maps."""
    return build_camera(tiny_plan().camera)


@pytest.fixture(scope="module")
def bias(bench):
    """Path of the master bias."""
    return bench.make_master(_names(bench, "bias")[0])


@pytest.fixture(scope="module")
def darks(bench):
    """Paths of the master darks by exposure."""
    names = _names(bench, "dark")
    return {bench.plan.masters[name].exposure_s: bench.make_master(name) for name in names}


@pytest.fixture(scope="module")
def flats(bench):
    """Paths of the master flats by channel and night."""
    groups = {name: bench.plan.masters[name] for name in _names(bench, "flat")}
    return {(g.channel, g.night): bench.make_master(name) for name, g in groups.items()}


def test_bias_is_the_level_of_the_camera(bias, camera):
    """The mean of the master bias is the truth within its noise; VAR tells its scatter."""
    image, header = read_image(bias)
    variance, _ = read_image(bias, "VAR")
    spec = camera.spec
    assert header["BUNIT"] == "adu"
    noise = spec.read_noise_e / spec.gain_e_per_adu / np.sqrt(6)
    difference = image - camera.bias_adu
    assert abs(np.median(difference)) < 0.05
    # Few pixels of this camera jump, so the median absolute deviation tells the noise.
    assert 1.4826 * np.median(np.abs(difference)) == pytest.approx(noise, rel=0.05)
    assert np.sqrt(np.median(variance)) == pytest.approx(noise, rel=0.15)


def test_read_noise_is_measured(bias, camera):
    """RNOISE is the read noise of the camera with the rounding to whole ADU, within 2 %."""
    spec = camera.spec
    truth = np.hypot(spec.read_noise_e / spec.gain_e_per_adu, np.sqrt(1 / 12))
    assert read_header(bias)["RNOISE"] == pytest.approx(truth, rel=0.02)


def test_master_says_what_it_is_made_of(bias, bench):
    """Header and INPUTS list the frames, with the digests that the simulator knows."""
    header, table = read_header(bias), read_table(bias, "INPUTS")
    assert (header["STEP"], header["NCOMBINE"]) == ("master_bias", 6)
    assert (header["MBIAS"], header["MDARK"]) == ("none", "none")
    assert header["DATE-BEG"] < header["DATE-END"]
    truth = bench.truth["frames"]
    assert [row["sha256"] for row in table] == [
        truth[name.removesuffix(".fits")]["sha256"] for name in table["name"]
    ]


@pytest.mark.parametrize("exposure_s", [180.0, 600.0])
def test_dark_is_the_dark_current(darks, camera, exposure_s):
    """Away from hot pixels a master dark is the rate of the truth, amplifier glow included."""
    image, _ = read_image(darks[exposure_s])
    mask, _ = read_image(darks[exposure_s], "MASK")
    truth = camera.dark_e_s * exposure_s / camera.spec.gain_e_per_adu
    difference = (image - truth)[mask == 0]
    variance = read_image(darks[exposure_s], "VAR")[0][mask == 0]
    error = np.sqrt(np.median(variance) + camera.spec.read_noise_e**2 / 6)
    assert abs(np.median(difference)) < 0.15
    assert np.median(np.abs(difference)) < error
    assert read_header(darks[exposure_s])["DARKTIME"] == exposure_s


def test_hot_pixels_are_found(darks, bench):
    """More than 90 % of the hot pixels that stand out are found, less than 0.1 % are false."""
    for exposure_s, path in darks.items():
        mask, _ = read_image(path, "MASK")
        image, _ = read_image(path)
        scatter = 1.4826 * np.median(np.abs(image - np.median(image)))
        faults = bench.truth_table("pixels")
        hot = np.zeros(mask.shape, dtype=bool)
        known = np.zeros(mask.shape, dtype=bool)
        known[faults["y"], faults["x"]] = True
        of_kind = faults[faults["fault"] == "hot"]
        hot[of_kind["y"], of_kind["x"]] = True
        bright = hot & (image > np.median(image) + 12 * scatter)
        assert bright.sum() > 10, exposure_s
        assert (mask[bright] != 0).mean() > 0.9
        assert (mask[~known] != 0).mean() < 0.001


def test_flat_is_the_response(flats, camera, bench):
    """A master flat is the response of optics and pixels within its noise, dust included."""
    seeds = {night.night.name: night.night.dust_seed for night in tiny_plan().nights}
    for (_, night), path in flats.items():
        image, _ = read_image(path)
        variance, _ = read_image(path, "VAR")
        truth = light_response(camera, seeds[night])
        truth = truth / np.median(truth)
        ratio = image / np.median(image) / truth
        good = truth > 0.5
        assert np.median(image) == pytest.approx(1.0, abs=0.002)
        assert np.std(ratio[good]) == pytest.approx(np.sqrt(np.median(variance)), rel=0.25)
        assert abs(np.median(ratio) - 1) < 0.002


def test_dead_pixels_are_found(flats, bench):
    """Dead pixels of the truth are in the mask of each flat."""
    faults = bench.truth_table("pixels")
    dead = faults[faults["fault"] == "dead"]
    for path in flats.values():
        mask, _ = read_image(path, "MASK")
        assert (mask[dead["y"], dead["x"]] == 2).all()
        mask[faults["y"], faults["x"]] = 0
        assert (mask != 0).mean() < 1e-4


def test_gain_is_measured(flats, camera):
    """Photon transfer gives the gain of the camera within 3 % on each flat."""
    for path in flats.values():
        header = read_header(path)
        assert header["GAINMEAS"] == pytest.approx(camera.spec.gain_e_per_adu, rel=0.03)
        assert 0 < header["GAINERR"] < 0.02


def _group(bench, kind):
    name = _names(bench, kind)[0]
    group = bench.plan.masters[name]
    raw = bench.raw(bench.plan.by_id[frame_id] for frame_id in group.frame_ids)
    return raw, json.loads(master_job(bench.plan, name))


def test_frames_that_cannot_be_read_are_left_out(bench, as_scanned, tmp_path):
    """A cut, a text and an odd-sized bias are left out; the master is made of the others."""
    raw, job = _group(bench, "bias")
    bad = [tmp_path / f"{n}.fits" for n in range(3)]
    shutil.copy(raw[0], bad[0])
    bad[0].chmod(0o644)
    os.truncate(bad[0], 20000)
    bad[1].write_text("no frame")
    fits.PrimaryHDU(np.zeros((10, 12), np.uint16)).writeto(bad[2])
    paths = [*bad[:2], *raw[2:5], bad[2]]
    master_bias(paths, tmp_path / "m.fits", as_scanned(job, paths))
    table = read_table(tmp_path / "m.fits", "INPUTS")
    assert list(table["name"]) == [frame["name"] for frame in job["frames"][2:5]]
    assert read_header(tmp_path / "m.fits")["NCOMBINE"] == 3


def _compressed(raw, folder: Path) -> list[Path]:
    paths = []
    for number, source in enumerate(raw):
        paths.append(folder / f"{number}.fits.fz")
        image = fits.CompImageHDU(fits.getdata(source), compression_type="RICE_1")
        image.writeto(paths[-1])
    return paths


def test_compressed_frames_give_the_same_master(bench, as_scanned, bias, tmp_path):
    """Pixels of tile-compressed frames are those of the plain ones, and so is the master."""
    raw, job = _group(bench, "bias")
    paths = _compressed(raw, tmp_path)
    master_bias(paths, tmp_path / "m.fits", as_scanned(job, paths))
    for extname in ("SCI", "VAR", "COUNT"):
        expected, _ = read_image(bias, extname)
        np.testing.assert_array_equal(read_image(tmp_path / "m.fits", extname)[0], expected)
    assert read_header(tmp_path / "m.fits")["RNOISE"] == read_header(bias)["RNOISE"]


def test_a_frame_with_damaged_data_is_left_out(bench, as_scanned, tmp_path, caplog):
    """Damage that shows while frames are combined costs that frame, with its reason, no other."""
    raw, job = _group(bench, "bias")
    paths = _compressed(raw, tmp_path)
    content = bytearray(paths[2].read_bytes())
    with fits.open(paths[2], disable_image_compression=True) as hdus:
        header, start = hdus[1].header, hdus[1].fileinfo()["datLoc"]
    start += header["NAXIS1"] * header["NAXIS2"]
    content[start + 2000 : start + 4000] = bytes(2000)
    paths[2].write_bytes(content)
    job = as_scanned(job, paths)
    master_bias(paths, tmp_path / "m.fits", job)
    assert "has damaged data in rows" in caplog.text
    assert len(read_table(tmp_path / "m.fits", "INPUTS")) == len(raw) - 1
    with pytest.raises(UserError, match="none of the 1 frames of bias_.* can be read; replace"):
        master_bias(paths[2:3], tmp_path / "n.fits", job | {"frames": job["frames"][2:3]})


def test_master_without_any_frame_is_a_sentence(bench, tmp_path):
    """If none of the frames can be read, the master says so and is not made."""
    raw, job = _group(bench, "bias")
    (tmp_path / "a.fits").write_text("no frame")
    with pytest.raises(UserError, match="none of the 6 frames of bias_.* can be read; replace"):
        master_bias([tmp_path / "a.fits"] * 6, tmp_path / "m.fits", job)
    assert os.listdir(tmp_path) == ["a.fits"]


def test_one_frame_is_a_master_too(bench, tmp_path):
    """A single bias gives a master without read noise."""
    raw, job = _group(bench, "bias")
    master_bias(raw[:1], tmp_path / "m.fits", job | {"frames": job["frames"][:1]})
    image, _ = read_image(tmp_path / "m.fits")
    np.testing.assert_array_equal(image, fits.getdata(raw[0]))
    assert "RNOISE" not in read_header(tmp_path / "m.fits")


def test_dark_without_bias_keeps_it(bench, tmp_path):
    """A master dark of a set without bias frames holds the level of the bias as well."""
    raw, job = _group(bench, "dark")
    master_dark(raw, [], tmp_path / "m.fits", job | {"bias": None})
    image, _ = read_image(tmp_path / "m.fits")
    assert np.median(image) == pytest.approx(tiny_plan().camera.bias_adu, abs=5)
    assert read_header(tmp_path / "m.fits")["MBIAS"] == "none"


def _flat_job(bench):
    raw, job = _group(bench, "flat")
    return raw, bench.masters_of(bench.plan.lights(job["channel"])), job


def test_flats_without_light_or_burnt_are_left_out(bench, as_scanned, tmp_path):
    """A black flat and an overexposed one do not take part; alone they are refused."""
    raw, masters, job = _flat_job(bench)
    shape = fits.getdata(raw[0]).shape
    fits.PrimaryHDU(np.full(shape, 65535, np.uint16)).writeto(tmp_path / "burnt.fits")
    fits.PrimaryHDU(np.full(shape, 3, np.uint16)).writeto(tmp_path / "black.fits")
    odd = [tmp_path / "burnt.fits", tmp_path / "black.fits"]
    job = as_scanned(job, [*odd, *raw[2:]])
    master_flat([*odd, *raw[2:]], masters, tmp_path / "m.fits", job)
    assert read_header(tmp_path / "m.fits")["NCOMBINE"] == len(raw) - 2
    message = "none of the 2 flats of flat_.* is usable: .*set flat: none for channel"
    with pytest.raises(UserError, match=message):
        master_flat(odd, masters, tmp_path / "n.fits", job | {"frames": job["frames"][:2]})
    assert not (tmp_path / "n.fits").exists()


@pytest.mark.parametrize("threads", [1, 2, 3])
def test_threads_change_no_byte(bench, bias, darks, flats, tmp_path, threads):
    """Masters are the same files at any number of threads."""
    raw, job = _group(bench, "bias")
    master_bias(raw, tmp_path / "b.fits", job, threads)
    assert (tmp_path / "b.fits").read_bytes() == Path(bias).read_bytes()
    raw, job = _group(bench, "dark")
    master_dark(raw, [bias], tmp_path / "d.fits", job, threads)
    assert (tmp_path / "d.fits").read_bytes() == Path(darks[job["exposure_s"]]).read_bytes()
    raw, masters, job = _flat_job(bench)
    master_flat(raw, masters, tmp_path / "f.fits", job, threads)
    path = flats[job["channel"], job["night"]]
    assert (tmp_path / "f.fits").read_bytes() == Path(path).read_bytes()
