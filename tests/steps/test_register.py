import json
import shutil
import subprocess
import sys
from dataclasses import replace

import numpy as np
import pytest
from astropy.io import fits
from choose_reference import choose_reference
from measure_stars import measure_stars
from register import register

from platefiles.config.lock_file import Lock, Part, lock_text, read_lock
from platefiles.core.errors import UserError
from platefiles.fits.products_io import read_header, read_table
from platefiles.plan.calibration_jobs import measure_stars_job
from platefiles.plan.channel_jobs import register_job
from platefiles.plan.grid_jobs import grid_job
from platefiles.registration.registration_table import read_registration
from platelib.simulate.psf import add_stars, moffat_image

NIGHT = "2026-03-23"
CHANNELS = ("g", "b", "ha")
TRAILED = "2026-03-23/b-03.fits"
HAZY = "2026-03-24/g-03.fits"


@pytest.fixture(scope="module")
def subs(bench):
    """Registered subs of each channel."""
    return {channel: read_registration(bench.make_registration(channel)) for channel in CHANNELS}


def _true_place(bench, frame, reference, x, y):
    """Raw place in a frame of places on the grid, which is the raw frame of the reference."""
    ground = bench.matrix(reference)
    scene = np.linalg.solve(ground[:, :2], np.stack([x, y]) - ground[:, 2:])
    matrix = bench.matrix(frame)
    return matrix[:, :2] @ scene + matrix[:, 2:]


@pytest.mark.parametrize("channel", CHANNELS)
def test_transforms_are_the_truth(bench, subs, channel):
    """Every used sub's transform is within 0.05 px rms of the truth over the grid."""
    registered, (ny, nx) = subs[channel]
    reference = bench.plan.by_id[read_lock(bench.lock).reference]
    y, x = (part.ravel().astype(float) for part in np.mgrid[20 : ny - 20 : 9j, 20 : nx - 20 : 9j])
    for sub in registered:
        if sub.facts["state"] != "used":
            continue
        found = np.stack(sub.transform(x, y))
        true = _true_place(bench, bench.plan.by_id[sub.facts["id"]], reference, x, y)
        assert np.sqrt(np.mean(np.sum((found - true) ** 2, axis=0))) < 0.05, sub.facts["name"]


@pytest.mark.parametrize("channel", CHANNELS)
def test_flipped_subs_are_registered(bench, subs, channel):
    """Subs from the other side of the meridian are turned by 180 degrees, and used."""
    flipped = 0
    for sub in subs[channel][0]:
        known = bench.truth["frames"][sub.facts["name"].removesuffix(".fits")]["sub"]
        reference = bench.plan.by_id[read_lock(bench.lock).reference]
        base = bench.truth["frames"][reference.name.removesuffix(".fits")]["sub"]["flipped"]
        if known["flipped"] == base:
            continue
        flipped += 1
        (x0, x1), _ = sub.transform(np.array([100.0, 200.0]), np.array([100.0, 100.0]))
        assert sub.facts["state"] == "used"
        assert x1 - x0 == pytest.approx(-100, abs=1)
    assert flipped >= 2


def test_trailed_sub_is_left_out_with_the_reason(subs):
    """The sub that was drawn trailed is the only one left out, and says why."""
    out = [s.facts for channel in CHANNELS for s in subs[channel][0] if s.facts["state"] != "used"]
    assert [(facts["name"], facts["state"]) for facts in out] == [(TRAILED, "elongated")]
    assert out[0]["reason"].startswith("ellipticity 0.")
    assert out[0]["weight"] == 0


def test_haze_is_measured(subs):
    """Transparency against the other subs of the channel is that of the truth within 6 %."""
    facts = {sub.facts["name"]: sub.facts for sub in subs["g"][0]}
    others = [f["transparency"] for name, f in facts.items() if name != HAZY]
    assert facts[HAZY]["transparency"] / np.median(others) == pytest.approx(0.64, rel=0.06)
    assert facts[HAZY]["weight"] < 0.3


def test_references_are_their_own_measure(bench, subs):
    """The reference of the grid has the identity, that of brightness the factor 1."""
    lock = read_lock(bench.lock)
    x, y = np.array([0.0, 100.0, 319.0]), np.array([0.0, 50.0, 239.0])
    for channel in CHANNELS:
        for sub in subs[channel][0]:
            if sub.facts["id"] == lock.reference:
                np.testing.assert_allclose(np.stack(sub.transform(x, y)), [x, y], atol=1e-9)
            if sub.facts["id"] == lock.photometry[channel]:
                assert (sub.facts["factor"], sub.facts["transparency"]) == (1.0, 1.0)
                assert np.abs(sub.facts["sky_difference"]).max() < 1e-6


def test_weights_are_relative_to_the_best(subs):
    """In each channel the best sub has the weight 1 and no other more; 1 / noise^2 is the rule."""
    for channel in CHANNELS:
        used = [sub.facts for sub in subs[channel][0] if sub.facts["state"] == "used"]
        noise = np.array([facts["noise_rate"] for facts in used])
        weight = np.array([facts["weight"] for facts in used])
        assert weight.max() == 1.0
        np.testing.assert_allclose(weight, (noise.min() / noise) ** 2, rtol=1e-4)


def test_header_names_the_references(bench, subs):
    """The product says which subs the grid and the brightness come from."""
    lock = read_lock(bench.lock)
    header = read_header(bench.make_registration("ha"))
    assert (header["GRIDREF"], header["PHOTREF"]) == (lock.reference, lock.photometry["ha"])
    assert (header["GRIDNX"], header["GRIDNY"]) == (320, 240)
    table = read_table(bench.make_registration("ha"), "TRANSFORMS")
    assert len(table) == 8


def _register(bench, channel, path, lock=None, **settings):
    bench.register_channel(channel, path, lock, **settings)
    return [sub.facts for sub in read_registration(path)[0]]


def test_registration_is_the_same_bytes_each_time(bench, tmp_path):
    """A second run gives an equal file."""
    _register(bench, "b", tmp_path / "b.fits")
    with open(bench.make_registration("b"), "rb") as first:
        assert (tmp_path / "b.fits").read_bytes() == first.read()


def test_limits_of_the_recipe_act(bench, tmp_path):
    """A tighter limit leaves subs out, each with its reason."""
    facts = _register(bench, "g", tmp_path / "a.fits", quality={"min_transparency": 0.8})
    assert [f["name"] for f in facts if f["state"] == "clouded"] == [HAZY]
    facts = _register(bench, "g", tmp_path / "b.fits", registration={"max_rms_px": 1e-5})
    assert {f["state"] for f in facts if f["id"] != read_lock(bench.lock).reference} == {
        "unmatched"
    }


def test_too_few_matches_are_a_state(bench, tmp_path):
    """Where more matches are asked for than there are stars, all but the reference are out."""
    facts = _register(bench, "g", tmp_path / "a.fits", registration={"min_matches": 1000})
    unmatched = [f for f in facts if f["state"] == "unmatched"]
    assert len(unmatched) == 7
    assert all(f["reason"] for f in unmatched)


def test_channel_without_usable_subs_is_a_sentence(bench, tmp_path):
    """If quality leaves no sub of a channel, the counts of states are told."""
    said = "channel 'ha': none of its 8 subs can be used .8 few stars.; the log of this job lists"
    with pytest.raises(UserError, match=said):
        _register(bench, "ha", tmp_path / "a.fits", quality={"min_stars": 5000})


def test_bad_photometric_reference_is_a_sentence(bench, tmp_path):
    """If the pinned reference of brightness is out but others are not, the lock is the remedy."""
    lock = read_lock(bench.make_lock())
    trailed = next(f.id for f in bench.plan.lights("b") if f.name == TRAILED)
    path = tmp_path / "tiny.lock.yaml"
    photometry = {**lock.photometry, "b": trailed}
    path.write_text(lock_text(Lock(lock.reference, lock.name, 320, 240, photometry)))
    said = "its photometric reference 2026-03-23/b-03.fits is elongated .*; delete .*lock.yaml to"
    with pytest.raises(UserError, match=said):
        _register(bench, "b", tmp_path / "a.fits", lock=path)


def test_channel_without_reference_is_a_sentence(bench, tmp_path):
    """A lock without a reference for a channel that has good subs is to be deleted."""
    lock = read_lock(bench.make_lock())
    path = tmp_path / "tiny.lock.yaml"
    path.write_text(lock_text(Lock(lock.reference, lock.name, 320, 240, {})))
    with pytest.raises(UserError, match="has no reference for channel 'b'; delete it to"):
        _register(bench, "b", tmp_path / "a.fits", lock=path)


def test_reasons_are_logged_before_the_channel_is_given_up(bench, tmp_path, caplog):
    """Where no sub is left, the log has the reason of each, and the remedy is the right key."""
    said = "lower quality: min_stars or measure: detection_sigma in the recipe"
    with caplog.at_level("INFO"), pytest.raises(UserError, match=said):
        _register(bench, "ha", tmp_path / "a.fits", quality={"min_stars": 5000})
    for frame in bench.plan.lights("ha"):
        assert f"{frame.name}: few stars" in caplog.text
    caplog.clear()
    said = r"raise registration: max_rms_px in the recipe .rms of star positions 0\.\d+ px"
    with caplog.at_level("INFO"), pytest.raises(UserError, match=said):
        _register(bench, "ha", tmp_path / "a.fits", registration={"max_rms_px": 1e-5})
    for frame in bench.plan.lights("ha"):
        assert f"{frame.name}: unmatched rms of star" in caplog.text


@pytest.fixture(scope="module")
def with_world(bench, as_scanned, tmp_path_factory):
    """Registration of calibrated frames with world coordinates, by name.

    Those of ``right`` are those of its stars, those of ``off`` miss by 2.5 px; ``none`` has none.
    """
    folder = tmp_path_factory.mktemp("world")
    rng = np.random.default_rng(5)
    x, y, flux = rng.uniform(8, 312, 90), rng.uniform(8, 232, 90), 10 ** rng.uniform(3.4, 5, 90)
    shifts = {"grid": (0.0, 0.0), "right": (6.3, -4.6), "off": (-3.2, 5.5), "none": (2.0, 1.0)}
    for name, (dx, dy) in shifts.items():
        image = rng.normal(200, 8, (240, 320)).astype(np.float32)
        add_stars(image, x + dx, y + dy, flux, moffat_image(2.8, 3.3))
        hdu = fits.PrimaryHDU(image)
        if name != "none":
            wrong = 2.5 if name == "off" else 0.0
            hdu.header.update(
                {"CTYPE1": "RA---TAN", "CTYPE2": "DEC--TAN", "CRVAL1": 150.0, "CRVAL2": 2.0}
                | {"CRPIX1": 160.0 + dx + wrong, "CRPIX2": 120.0 + dy, "CD1_1": -5e-4}
                | {"CD1_2": 0.0, "CD2_1": 0.0, "CD2_2": 5e-4}
            )
        hdu.writeto(folder / f"{name}.fits")
    job = json.loads(measure_stars_job(bench.plan, "g", NIGHT)) | {"camera": {"calibrated": True}}
    nothing = {"bias": None, "dark": None, "flat": None}
    job["subs"] = [job["subs"][0] | nothing | {"id": name, "name": name} for name in shifts]
    paths = [folder / f"{name}.fits" for name in shifts]
    measure_stars(paths, [], folder / "m.fits", as_scanned(job, paths))
    lock = folder / "a.lock.yaml"
    lock.write_text(lock_text(Lock("grid", "grid", 320, 240, {"g": "grid"})))
    job = json.loads(register_job(bench.plan, "g", NIGHT)) | {"calibrated": True}
    register(folder / "m.fits", [folder / "m.fits"], lock, folder / "r.fits", job)
    found = {sub.facts["id"]: sub for sub in read_registration(folder / "r.fits")[0]}
    return {name: (found[name], shift) for name, shift in shifts.items()}


def test_world_coordinates_register_calibrated_frames(with_world):
    """Frames whose coordinates the stars confirm are laid by these exactly, others by their stars.

    The expected places are those that were drawn.
    """
    sources = {name: sub.facts["source"] for name, (sub, _) in with_world.items()}
    assert sources == {"grid": "grid", "right": "header", "off": "stars", "none": "stars"}
    x, y = np.array([10.0, 300.0]), np.array([200.0, 30.0])
    for name, most in (("right", 0.001), ("off", 0.06), ("none", 0.06)):
        sub, shift = with_world[name]
        assert sub.facts["state"] == "used"
        found = np.stack(sub.transform(x, y)) - [x, y]
        np.testing.assert_allclose(found, np.array(shift)[:, None] + [[0, 0]] * 2, atol=most)


def _grid_job(bench, **changes):
    return json.loads(grid_job(bench.plan)) | changes


def test_grid_is_a_round_sub_of_the_luminance_channel(bench):
    """The grid is one of the green subs, the size of the raw frames; each channel is pinned."""
    lock = read_lock(bench.make_lock())
    reference = bench.plan.by_id[lock.reference]
    assert reference.channel == "g"
    assert (lock.name, lock.width_px, lock.height_px) == (reference.name, 320, 240)
    assert set(lock.photometry) == set(CHANNELS)
    for channel, sub in lock.photometry.items():
        assert bench.plan.by_id[sub].channel == channel
        assert bench.plan.by_id[sub].name not in (TRAILED, HAZY)


def test_the_crop_is_what_half_of_the_exposure_covers(bench, subs):
    """Each channel is pinned to a part of the grid; half of its subs or more cover its corners."""
    crop = read_lock(bench.make_lock()).crop
    assert set(crop) == set(CHANNELS)
    for channel, ((left, right), (bottom, top)) in crop.items():
        assert (right - left + 1) * (top - bottom + 1) > 0.85 * 320 * 240
        used = [sub for sub in subs[channel][0] if sub.facts["state"] == "used"]
        x, y = np.array([(x, y) for x in (left, right) for y in (bottom, top)]).T - 1.0
        inside = np.zeros(4)
        for sub in used:
            raw_x, raw_y = sub.transform(x, y)
            inside += (np.abs(raw_x - 159.5) < 159.6) & (np.abs(raw_y - 119.5) < 119.6)
        assert (inside >= len(used) / 2).all(), channel


def test_a_pinned_crop_stays_and_a_missing_one_is_chosen(bench, tmp_path):
    """Of a lock file without crop, only the crop is written; parts that are pinned are kept."""
    lock = read_lock(bench.make_lock())
    path, own = tmp_path / "a.lock.yaml", Part((11, 300), (12, 200))
    for crop, expected in ((None, lock.crop), ({"b": own}, lock.crop | {"b": own})):
        path.write_text(lock_text(replace(lock, crop=crop)))
        choose_reference(bench.all_measures(), path, _grid_job(bench))
        assert read_lock(path) == replace(lock, crop=expected)


def test_order_of_the_nights_does_not_move_the_grid(bench, tmp_path):
    """The choice does not depend on the order in which the measures come."""
    choose_reference(bench.all_measures()[::-1], tmp_path / "a.lock.yaml", _grid_job(bench))
    assert (tmp_path / "a.lock.yaml").read_text() == bench.make_lock().read_text()


@pytest.mark.parametrize("word", ["2026-03-24/ha-02.fits", "ha-02.fits", "id"])
def test_named_reference_is_taken(bench, tmp_path, word):
    """The project may name the sub of the grid, by path, name or id."""
    measures = [bench.make_measures("ha", "2026-03-24"), bench.make_measures("g", NIGHT)]
    frame = next(f for f in bench.plan.lights("ha") if f.name == "2026-03-24/ha-02.fits")
    job = _grid_job(bench, reference=frame.id if word == "id" else word)
    choose_reference(measures, tmp_path / "a.lock.yaml", job)
    assert read_lock(tmp_path / "a.lock.yaml").reference == frame.id


def test_unknown_reference_is_a_sentence(bench, tmp_path):
    """A named reference that is no light is refused and nothing is pinned."""
    with pytest.raises(UserError, match="reference: no light is called 'x.fits'"):
        choose_reference(
            bench.all_measures(), tmp_path / "a.yaml", _grid_job(bench, reference="x.fits")
        )
    assert not (tmp_path / "a.yaml").exists()


def test_what_is_pinned_stays(bench, tmp_path):
    """A channel that came later is pinned without moving the grid or the other channels."""
    first = read_lock(bench.make_lock())
    other = next(f for f in bench.plan.lights("ha") if f.id != first.photometry["ha"])
    path = tmp_path / "a.lock.yaml"
    path.write_text(lock_text(Lock(other.id, other.name, 320, 240, {"ha": other.id})))
    choose_reference(bench.all_measures(), path, _grid_job(bench))
    lock = read_lock(path)
    assert (lock.reference, lock.photometry["ha"]) == (other.id, other.id)
    assert lock.photometry["g"] == first.photometry["g"]


def test_channel_without_stars_is_left_for_later(bench, tmp_path):
    """A channel of bad subs is not pinned to a bad one; a project of bad subs is a sentence."""
    folder = tmp_path / "measures" / "b"
    folder.mkdir(parents=True)
    good = bench.make_measures("g", NIGHT)
    (tmp_path / "measures" / "g").mkdir()
    shutil.copy(good, tmp_path / "measures" / "g" / f"{NIGHT}.fits")
    bench_of_b = json.loads(measure_stars_job(bench.plan, "b", NIGHT))
    (tmp_path / "a.fits").write_text("not a frame")
    measure_stars([tmp_path / "a.fits"] * 4, [], folder / f"{NIGHT}.fits", bench_of_b)
    paths = [tmp_path / "measures" / channel / f"{NIGHT}.fits" for channel in ("b", "g")]
    choose_reference(paths, tmp_path / "a.lock.yaml", _grid_job(bench))
    assert set(read_lock(tmp_path / "a.lock.yaml").photometry) == {"g"}
    said = "project 'tiny': none of its 4 lights can be used .4 unreadable.; inspect them"
    with pytest.raises(UserError, match=said):
        choose_reference(paths[:1], tmp_path / "b.lock.yaml", _grid_job(bench))


@pytest.mark.parametrize("step", ["choose_reference", "register"])
def test_neither_kernels_nor_trees_are_loaded(step):
    """These steps import neither numba nor scipy, which takes longer than their work."""
    code = f"import {step}; print(sorted({{'numba', 'scipy'}} & sys.modules.keys()))"
    done = subprocess.run(
        [sys.executable, "-c", f"import sys; sys.path[:] = {sys.path!r}; {code}"],
        capture_output=True,
        text=True,
        check=True,
    )
    assert done.stdout == "[]\n"
