import csv
import json
from contextlib import ExitStack

import numpy as np
import pytest
from astropy.io import fits
from integrate import integrate
from list_subs import list_subs
from register_sub import register_sub
from scipy.ndimage import median_filter

from platefiles.core.errors import UserError
from platefiles.core.frame_errors import FrameError
from platefiles.core.hashing import file_sha256
from platefiles.fits.products_io import read_header, read_image, read_table
from platefiles.integration import tiles
from platefiles.plan.channel_jobs import integrate_job, register_sub_job, subs_job
from platefiles.provenance.record import read_record
from platefiles.raw_frames.raw_frame import open_raw
from platefiles.registration.registration_table import read_registration, read_star_places
from platelib.integration.local_weights import LocalWeights
from platelib.integration.psf_comparison import comparison
from platelib.integration.psf_kernels import fit_kernels
from platelib.integration.psf_partners import stamp_radius, wanted_stars
from platelib.integration.rejection import Rejection, reject
from platelib.integration.rejection_growth import grow
from platelib.integration.rejection_rules import INVALID
from platelib.integration.weighted_mean import average
from platelib.numerics.mask_bits import SPIKE

CHANNELS = ("ha", "g", "b")


@pytest.fixture(scope="module")
def channels(bench):
    """Paths of the integrated channels."""
    return {channel: bench.make_channel(channel) for channel in CHANNELS}


@pytest.fixture(scope="module")
def stored(bench, tmp_path_factory):
    """Each sub of the blue channel, written by `register_sub`."""
    folder = tmp_path_factory.mktemp("registered")
    for frame in bench.plan.lights("b"):
        register_sub(
            frame.path,
            bench.masters_of([frame]),
            bench.make_registration("b"),
            folder / f"{frame.id}.fits",
            json.loads(register_sub_job(bench.plan, "b", frame.id)),
        )
    return folder


def _settings(bench):
    return json.loads(integrate_job(bench.plan, "b"))["settings"]["integration"]


def test_fused_path_is_the_stored_path_bit_for_bit(bench, channels, stored):
    """Stored registered subs, clipped and averaged by hand, equal the integration exactly."""
    registered, _ = read_registration(bench.make_registration("b"))
    used = {sub.facts["id"]: sub for sub in registered if sub.facts["state"] == "used"}
    order = [frame.id for frame in bench.plan.lights("b") if frame.id in used]
    assert len(order) == 7
    values = np.stack([read_image(stored / f"{sub}.fits")[0] for sub in order])
    variances = np.stack([read_image(stored / f"{sub}.fits", "VAR")[0] for sub in order])
    marks = np.stack([read_image(stored / f"{sub}.fits", "MASK")[0] for sub in order])
    assert (marks == SPIKE).any()
    np.testing.assert_array_equal(marks == INVALID, np.isnan(values))
    facts = [used[sub].facts for sub in order]
    settings = _settings(bench)
    rejection = Rejection(
        method=settings["clip"],
        low=settings["clip_low"],
        high=settings["clip_high"],
        max_iterations=settings["max_iterations"],
        tolerance=settings["clip_tolerance"],
        esd_alpha=settings["esd_alpha"],
    )
    sky = np.median([f["sky_rate"] * f["factor"] - f["sky_difference"][0] for f in facts])
    noise = np.array([f["noise_rate"] for f in facts])
    kernels = _kernels(
        read_star_places(bench.make_registration("b")), facts, values, variances, sky
    )
    compared = comparison(kernels, np.full(len(facts), np.inf), settings["clip_tolerance"])
    flags = reject(values, variances, noise, float(sky), rejection, marks, compared)
    flags = grow(values, variances, flags, settings["grow_px"], sky=float(sky), compared=compared)
    weights = LocalWeights(
        np.array([f["weight"] for f in facts]),
        noise,
        np.array([f["scale"] * f["excess"] for f in facts]),
        [used[sub].levels.sky for sub in order],
        values.shape[1:],
    )
    assert not weights.is_constant
    table = weights.of_tile((0, values.shape[1]), (0, values.shape[2]))
    result = average(values, variances, table, flags)
    wanted = [
        ("SCI", result.mean),
        ("VAR", result.variance),
        ("COUNT", result.count),
        ("CLIPPED", np.stack([result.low, result.high])),
    ]
    for name, image in wanted:
        found, _ = read_image(channels["b"], name)
        assert found.dtype == image.dtype
        np.testing.assert_array_equal(found, image)


def _kernels(stars, facts, values, variances, sky):
    """Kernels from stamps that are cut out of the stored subs."""
    widths = np.array([f["fwhm_px"] for f in facts])
    half = stamp_radius(widths)
    places = np.rint(stars).astype(int)
    ny, nx = values.shape[1:]
    whole = (places >= half).all(axis=1) & (places < np.array([nx, ny]) - half).all(axis=1)
    stamps = np.empty((2, len(values), whole.sum(), 2 * half + 1, 2 * half + 1), dtype=np.float32)
    for k, (x, y) in enumerate(places[whole]):
        part = np.s_[:, y - half : y + half + 1, x - half : x + half + 1]
        stamps[:, :, k] = values[part] - np.float32(sky), variances[part]
    stamps = stamps[:, :, : wanted_stars(widths)]
    return fit_kernels(widths, *stamps)


@pytest.mark.parametrize(("columns", "tile_mb"), [(70, 0), (320, 1), (113, 10)])
def test_size_of_the_tiles_does_not_count(bench, channels, tmp_path, monkeypatch, columns, tile_mb):
    """Tiles of any size give equal files."""
    monkeypatch.setattr(tiles, "TILE_COLUMNS", columns)
    monkeypatch.setattr(tiles, "TILE_MB", tile_mb)
    assert len(list(tiles.tiling(7, (240, 320)))) > 1
    path = bench.make_channel("b", tmp_path / "b.fits")
    with open(path, "rb") as one, open(channels["b"], "rb") as other:
        assert one.read() == other.read()


def test_registered_subs_have_the_sky_of_the_reference(bench, stored):
    """After levelling the sky of every sub is that of the reference, moonlit or not."""
    registered, _ = read_registration(bench.make_registration("b"))
    images = {
        sub.facts["id"]: read_image(stored / f"{sub.facts['id']}.fits")[0]
        for sub in registered
        if sub.facts["state"] == "used"
    }
    reference = images[read_header(bench.make_registration("b"))["PHOTREF"]]
    for image in images.values():
        difference = image - reference
        for half in (np.s_[:, :160], np.s_[:, 160:], np.s_[:120], np.s_[120:]):
            assert abs(np.nanmedian(difference[half])) < 0.02 * np.nanmedian(reference)


def test_sub_that_was_left_out_is_stored_without_data(bench, stored):
    """The trailed sub is written all the same, empty and with its state."""
    trailed = next(f.id for f in bench.plan.lights("b") if f.name == "2026-03-23/b-03.fits")
    header = read_header(stored / f"{trailed}.fits")
    assert header["SUBSTATE"] == "elongated"
    assert np.isnan(read_image(stored / f"{trailed}.fits")[0]).all()


@pytest.mark.parametrize("channel", CHANNELS)
def test_header_says_what_it_is_made_of(bench, channels, channel):
    """Number, exposure, span, unit, inputs and settings stand in the header."""
    header = read_header(channels[channel])
    count = 7 if channel == "b" else 8
    each = 600.0 if channel == "ha" else 180.0
    assert (header["NCOMBINE"], header["NSUBS"]) == (count, 8)
    assert header["EXPTIME"] == count * each
    assert (header["DATE-BEG"][:10], header["DATE-END"][:10]) == ("2026-03-23", "2026-03-24")
    names = {"ha": "Ha", "g": "G", "b": "B"}
    assert (header["CHANNEL"], header["FILTER"]) == (channel, names[channel])
    assert header["OBJECT"] == bench.plan.lights(channel)[0].target != ""
    assert json.loads(header["SETTINGS"])["integration"]["clip"] == "noise"
    assert read_image(channels[channel])[1]["BUNIT"] == "electron/s"
    assert read_image(channels[channel], "VAR")[1]["BUNIT"] == "(electron/s)2"
    table = read_table(channels[channel], "INPUTS")
    truth = bench.truth["frames"]
    assert [row["sha256"] for row in table] == [
        truth[name.removesuffix(".fits")]["sha256"] for name in table["name"]
    ]
    assert sum(table["state"] == "used") == count


def test_planes_fit_each_other(channels):
    """COUNT, CLIPPED and NaN agree: no pixel without a sub has a value, and none with one lacks."""
    for channel, path in channels.items():
        image, _ = read_image(path)
        variance, _ = read_image(path, "VAR")
        count, _ = read_image(path, "COUNT")
        clipped, _ = read_image(path, "CLIPPED")
        assert image.shape == (240, 320)
        np.testing.assert_array_equal(np.isfinite(image), count > 0)
        np.testing.assert_array_equal(np.isfinite(variance), count > 0)
        assert (count + clipped.sum(axis=0)).max() <= (7 if channel == "b" else 8)
        assert (count > 0).mean() > 0.98


def _integrate_part(bench, channel, part, path):
    """Integrate some of the subs of a channel."""
    lights = bench.plan.lights(channel)
    job = json.loads(integrate_job(bench.plan, channel))
    job |= {"subs": job["subs"][part]}
    raw, masters = bench.raw(lights[part]), bench.masters_of(lights)
    integrate(raw, masters, bench.make_registration(channel), path, job)
    return read_image(path)[0], read_image(path, "VAR")[0]


@pytest.mark.parametrize("channel", CHANNELS)
def test_variance_is_honest(bench, tmp_path, channel):
    """Two halves of the subs differ by what their VAR says, within 5 %, in all of the image."""
    one, variance_one = _integrate_part(bench, channel, np.s_[0::2], tmp_path / "1.fits")
    two, variance_two = _integrate_part(bench, channel, np.s_[1::2], tmp_path / "2.fits")
    pull = (one - two) / np.sqrt(variance_one + variance_two)
    spread = 1.4826 * np.nanmedian(np.abs(pull - np.nanmedian(pull)))
    assert spread == pytest.approx(1.0, abs=0.05)


def _smooth(image):
    return median_filter(np.nan_to_num(image, nan=np.nanmedian(image)), size=9)


def test_cosmic_rays_and_the_trail_are_gone(bench, channels):
    """Bright particle hits and the satellite of the truth leave no outlier in the result."""
    rays = bench.truth_table("cosmic_rays")
    y, x = (part.ravel().astype(float) for part in np.mgrid[0:240, 0:320])
    hits = left = 0
    for channel in CHANNELS:
        image, _ = read_image(channels[channel])
        variance, _ = read_image(channels[channel], "VAR")
        registered, _ = read_registration(bench.make_registration(channel))
        seconds = 600 if channel == "ha" else 180
        smooth = _smooth(image)
        limit = 5 * np.sqrt(np.nanmedian(variance))
        for sub in registered:
            name = sub.facts["name"].removesuffix(".fits")
            if sub.facts["state"] != "used":
                continue
            mine = rays[(rays["frame"] == name) & (rays["electrons"] > 1000)]
            u, v = (part.reshape(240, 320) for part in sub.transform(x, y))
            for ray in mine:
                near = np.hypot(u - ray["x"], v - ray["y"]) < 0.8
                if not near.any() or (smooth[near] > 1.3 * np.nanmedian(image)).any():
                    continue  # outside of the grid, or on an object
                hits += 1
                expected = ray["electrons"] / seconds / 8
                left += np.nanmax((image - smooth)[near]) > max(0.3 * expected, limit)
    assert hits > 10
    assert left == 0


def test_inputs_tell_how_much_was_clipped(channels):
    """The sub with the satellite has far more clipped pixels than the others."""
    table = read_table(channels["g"], "INPUTS")
    share = {row["name"]: row["clipped_high"] for row in table}
    trail = share.pop("2026-03-23/g-02.fits")
    assert trail > 5 * max(share.values())


@pytest.mark.parametrize("method", ["none", "sigma", "mad", "esd"])
def test_every_clipping_runs(bench, channels, tmp_path, method):
    """Each method gives an image near that of the default; `none` clips nothing."""
    # Of eight samples none can lie 4 of their own standard deviations off.
    path = bench.make_channel("g", tmp_path / "g.fits", clip=method, clip_low=2, clip_high=2)
    image, other = read_image(path)[0], read_image(channels["g"])[0]
    assert np.nanmedian(np.abs(image - other)) < 0.02 * np.nanmedian(other)
    clipped, _ = read_image(path, "CLIPPED")
    assert (clipped.sum() == 0) == (method == "none")


def test_too_few_subs_are_a_sentence(bench, tmp_path):
    """A channel that keeps too few subs is not made, and the states are counted."""
    said = (
        r"channel 'b': 7 of 8 subs can be used \(1 elongated\), at least 8 are needed; .*"
        "loosen quality in the recipe or set integration: min_subs"
    )
    with pytest.raises(UserError, match=said):
        bench.make_channel("b", tmp_path / "b.fits", min_subs=8)
    with pytest.raises(UserError, match="7 of 8 subs can be used"):
        bench.make_channel("b", tmp_path / "b.fits", max_excluded=0.1)
    assert not (tmp_path / "b.fits").exists()


def test_sub_that_went_bad_meanwhile_is_left_out(bench, tmp_path):
    """A raw file that became unreadable after it was measured is left out and named.

    The channel is provisional, and the record names the file that was there.
    """
    lights = bench.plan.lights("b")
    paths = bench.raw(lights)
    (tmp_path / "bad.fits").write_text("not a frame")
    with pytest.raises(FrameError):
        open_raw(tmp_path / "bad.fits")
    job = json.loads(integrate_job(bench.plan, "b"))
    raw = [tmp_path / "bad.fits", *paths[1:]]
    registration = bench.make_registration("b")
    integrate(raw, bench.masters_of(lights), registration, tmp_path / "b.fits", job)
    table = read_table(tmp_path / "b.fits", "INPUTS")
    facts = {row["id"]: (row["state"], row["reason"], row["sha256"]) for row in table}
    reason = "changed since the run began; the next run reads it again"
    digest = file_sha256(tmp_path / "bad.fits")
    assert facts[lights[0].id] == ("unreadable", reason, digest)
    assert digest in read_record(tmp_path / "b.fits").raws
    header = read_header(tmp_path / "b.fits")
    assert (header["NCOMBINE"], header["JOBDIG"]) == (6, "provisional")


def test_many_subs_may_be_open(bench):
    """Opening the lights of all channels takes one descriptor each."""
    with ExitStack() as stack:
        paths = [frame.path for channel in CHANNELS for frame in bench.plan.lights(channel)]
        shapes = {stack.enter_context(open_raw(path)).shape for path in paths}
    assert shapes == {(240, 320)}


def test_table_of_subs(bench, channels, tmp_path):
    """Each light is a row with state and numbers; unused files follow with their reasons."""
    job = json.loads(subs_job(bench.plan))
    job["unused"] = [
        {"id": "x", "name": "x\t.fits", "why": "excluded", "facts": {"file": "tiny.yaml"}}
    ]
    registrations = [bench.make_registration(channel) for channel in CHANNELS]
    list_subs(registrations, list(channels.values()), tmp_path / "subs.tsv", job)
    with open(tmp_path / "subs.tsv", encoding="utf-8", newline="") as stream:
        rows = list(csv.DictReader(stream, delimiter="\t", quoting=csv.QUOTE_NONE))
    assert len(rows) == 25
    assert [row["channel"] for row in rows[:24]] == ["ha"] * 8 + ["g"] * 8 + ["b"] * 8
    states = {row["name"]: row["state"] for row in rows}
    assert states["2026-03-23/b-03.fits"] == "elongated"
    assert list(states.values()).count("used") == 23
    assert rows[-1]["reason"] == "excluded in tiny.yaml"
    assert rows[-1]["state"] == "unused"
    best = max(rows[:8], key=lambda row: float(row["weight"]))
    assert float(best["weight"]) == 1.0
    assert 2 < float(best["fwhm_px"]) < 5


def test_channel_without_flats_or_darks_says_so(make_bench, tiny_raw, tmp_path):
    """What was not done stands in the header of the channel."""
    bench = make_bench(tmp_path, tiny_raw, exclude=["*flat-*", "*dark-*"])
    header = read_header(bench.make_channel("g"))
    notes = [header[key] for key in header if key.startswith("NOTDONE")]
    assert any(note.startswith("There are no darks") for note in notes)
    assert any(note.startswith("There are no flats") for note in notes)
    assert header["NCOMBINE"] == 8
    with fits.open(bench.make_channel("g"), checksum=True) as hdus:
        assert all(hdu.verify_checksum() == 1 for hdu in hdus)


@pytest.fixture(scope="module")
def ungained(make_bench, bench, tmp_path_factory):
    """A bench of the green subs alone, with nothing but a bias, so that nothing tells the gain."""
    return make_bench(
        tmp_path_factory.mktemp("ungained"),
        bench.plan.loaded.raw_folders[0],
        recipe="single-channel",
        channels={"g": {"filters": ["G"], "dark": "none", "flat": "none"}},
        header_fixes={"*": {"EGAIN": 0}},
    )


def test_without_a_gain_pixels_stay_in_adu_and_stars_have_photon_noise(ungained, bench, channels):
    """Unit, note and least gain are told; VAR on stars is that of electrons, or more."""
    path = ungained.make_channel("g")
    header = read_header(path)
    assert header["NOTDONE1"].startswith("The gain of the camera is unknown")
    assert header["GAINSRC"] == "sky noise"
    assert 0.6 * 0.85 < header["GAINMEAS"] < 1.03 * 0.85
    assert read_header(path, "SCI")["BUNIT"] == "adu/s"
    assert "GAINSRC" not in read_header(channels["g"])
    assert read_header(channels["g"], "SCI")["BUNIT"] == "electron/s"
    (image, _), (variance, _) = read_image(path), read_image(path, "VAR")
    (count, _), sky = read_image(path, "COUNT"), np.nanmedian(image)
    # The peaks of stars: light in ADU/s over gain and exposure, for as many subs as there are.
    bright = (image > sky + 5) & (count >= count.max() - 1)
    assert bright.sum() > 20
    photons = (image[bright] - sky) / 0.85 / 180 / count[bright]
    assert (variance[bright] > 0.75 * photons).all()  # resampling averages some of it
    assert np.median(variance[bright] / np.nanmedian(variance)) > 3


def test_the_job_log_has_the_gain_note_once_a_channel(ungained):
    """The note is the first of a few, and gives three remedies."""
    header = read_header(ungained.make_channel("g"))
    notes = [header[key] for key in header if key.startswith("NOTDONE")]
    assert sum("gain" in note for note in notes) == 1
    for remedy in ("gain_e_per_adu", "header_fixes", "two flats"):
        assert remedy in notes[0]
