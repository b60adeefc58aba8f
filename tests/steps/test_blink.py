"""Frames and animations of a channel, from raw frames."""

import json
import warnings
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from astropy.io import fits
from astropy.wcs import WCS
from draw_blink import draw_blink
from encode_blink import encode_blink
from PIL import Image
from register_sub import register_sub

from platefiles.astrometry.solution import world_cards
from platefiles.blink import resampled_frames as module
from platefiles.blink.frames_product import SkyPlace, drawn, frames_hdus, read_frames
from platefiles.blink.resampled_frames import BlinkJob, Sources, resampled_frames, said_of
from platefiles.calibration.master_library import Masters
from platefiles.fits.product_cards import entry
from platefiles.fits.products_io import read_image, write_product
from platefiles.picture.picture_source import record_of
from platefiles.plan.blink_jobs import draw_blink_job, encode_blink_job
from platefiles.plan.channel_jobs import register_sub_job
from platefiles.provenance.integrity import fault, is_of_a_run
from platefiles.registration.registration_table import read_registration
from platelib.astrometry.tan_sip import SkyMap
from platelib.blink.grid_part import GridPart, whole_grid

CHANNEL = "b"


def make_frames(bench, path, channel=CHANNEL):
    """Run `draw_blink` for a channel."""
    lights = bench.plan.lights(channel)
    draw_blink(
        *(bench.raw(lights), bench.masters_of(lights), bench.make_registration(channel)),
        *(bench.make_solution(), path, json.loads(draw_blink_job(bench.plan, channel))),
    )
    return path


@pytest.fixture(scope="module")
def frames(bench, tmp_path_factory):
    """The product of `draw_blink` for the blue channel, in a folder of results."""
    results = tmp_path_factory.mktemp("blink") / "results" / "tiny"
    return make_frames(bench, results / "moved" / "blink" / f"{CHANNEL}.fits")


@pytest.fixture(scope="module")
def animations(bench, frames):
    """Both animations of the frames, by their endings."""
    job = json.loads(encode_blink_job(bench.plan, CHANNEL))
    paths = {ending: frames.with_suffix(f".{ending}") for ending in ("webp", "png")}
    for path in paths.values():
        encode_blink(frames, path, job)
    return paths


def sources_of(bench, channel=CHANNEL):
    """Open what frames of a channel are made of."""
    lights = bench.plan.lights(channel)
    registered, shape = read_registration(bench.make_registration(channel))
    masters = Masters(bench.masters_of(lights))
    return Sources(bench.raw(lights), masters, registered, shape, {})


def job_of(bench, channel=CHANNEL):
    """Return the job of the frames of a channel."""
    return BlinkJob.of(json.loads(draw_blink_job(bench.plan, channel)))


def test_pixels_are_those_of_stored_registered_subs(bench, tmp_path):
    """At full scale a frame of one sub is the registered sub bit for bit, whole and as a part."""
    whole = resampled_frames(sources_of(bench), job_of(bench), whole_grid((240, 320), 1000))
    part = GridPart((33, 142), (101, 260))
    cut = resampled_frames(sources_of(bench), job_of(bench), part)
    masters = bench.masters_of(bench.plan.lights(CHANNEL))
    assert len(whole.facts) == 7
    for facts, image, small in zip(whole.facts, whole.images, cut.images, strict=True):
        (sub,) = facts.ids
        job = json.loads(register_sub_job(bench.plan, CHANNEL, sub))
        frame = bench.plan.by_id[sub]
        stored = tmp_path / f"{sub}.fits"
        register_sub(frame.path, masters, bench.make_registration(CHANNEL), stored, job)
        values, _ = read_image(stored)
        np.testing.assert_array_equal(image, values)
        np.testing.assert_array_equal(small, values[33:142, 101:260])


def test_strips_and_threads_change_no_bit(bench, monkeypatch):
    """Frames in many strips by several threads are those in one strip, reduced or not."""
    for part in (whole_grid((240, 320), 1000), whole_grid((240, 320), 110)):
        found = []
        for pixels, threads in ((1 << 19, 1), (5000, 1), (9000, 3)):
            monkeypatch.setattr(module, "_STRIP_PX", pixels)
            frames = resampled_frames(sources_of(bench), job_of(bench), part, 3600.0, threads)
            found.append(np.array(frames.images))
        np.testing.assert_array_equal(found[0], found[1])
        np.testing.assert_array_equal(found[0], found[2])


def test_a_changed_sub_is_left_out(bench, tmp_path):
    """A raw frame that differs from the measured one is not shown; the others are."""
    sources = sources_of(bench)
    changed = tmp_path / "changed.fits"
    content = bytearray(Path(sources.raw[1]).read_bytes())
    content[len(content) // 2] ^= 1
    changed.write_bytes(content)
    paths = [sources.raw[0], changed, *sources.raw[2:]]
    frames = resampled_frames(replace(sources, raw=paths), job_of(bench), GridPart((0, 9), (0, 9)))
    sub = bench.plan.lights(CHANNEL)[1].id
    assert len(frames.facts) == 6
    assert sub not in {one for facts in frames.facts for one in facts.ids}
    (line,) = [one for one in said_of(frames, sources.registered) if "left out" in one]
    assert line == "left out: 1 elongated, 1 unreadable"


def test_frames_stand_in_order_of_time_and_tell_their_middle(bench, frames):
    """Each used sub is a frame with the middle of its exposure; the trailed one is left out."""
    shown = read_frames(frames)
    lights = {frame.id: frame for frame in bench.plan.lights(CHANNEL)}
    assert len(shown.images) == len(shown.facts) == 7
    times = []
    for facts in shown.facts:
        start = np.datetime64(lights[facts.ids[0]].start_utc)
        middle = np.datetime64(facts.middle_utc)
        assert middle - start == np.timedelta64(90, "s")
        assert (facts.exposure_s, facts.span_s) == (180.0, 180.0)
        times.append(middle)
    assert times == sorted(times)
    names = {shown.names[one] for facts in shown.facts for one in facts.ids}
    assert "2026-03-23/b-03.fits" not in names


def test_a_bin_is_the_weighted_mean_of_its_subs(bench):
    """Subs of a bin are averaged with their weights; no bin goes beyond a night."""
    part = GridPart((100, 140), (60, 130))
    single = resampled_frames(sources_of(bench), job_of(bench), part, 0.0)
    binned = resampled_frames(sources_of(bench), job_of(bench), part, 86400.0)
    assert [one.night for one in binned.facts] == ["2026-03-23", "2026-03-24"]
    weights = {row.facts["id"]: row.facts["weight"] for row in sources_of(bench).registered}
    by_id = {f.ids[0]: image for f, image in zip(single.facts, single.images, strict=True)}
    for facts, image in zip(binned.facts, binned.images, strict=True):
        own = np.ma.masked_invalid([by_id[sub].astype(np.float64) for sub in facts.ids])
        expected = np.ma.average(own, axis=0, weights=[weights[sub] for sub in facts.ids])
        np.testing.assert_allclose(image, expected.filled(np.nan), rtol=1e-6)
        assert facts.exposure_s == 180.0 * len(facts.ids)


def test_the_mover_is_seen_where_the_truth_has_it(bench, tmp_path):
    """In each frame the mover stands out by a tenth of the display scale, at its place."""
    shown = read_frames(make_frames(bench, tmp_path / "moved" / "blink" / "g.fits", "g"))
    rows = {row.facts["id"]: row for row in sources_of(bench, "g").registered}
    usual = np.median(np.asarray(shown.images).astype(float), axis=0)
    places = []
    for facts, image in zip(shown.facts, shown.images, strict=True):
        row = rows[facts.ids[0]]
        about = bench.truth["frames"][row.facts["name"].removesuffix(".fits")]["mover"]
        x, y = (round(float(v[0])) for v in row.transform.inverse(*np.array(about[:2])[:, None]))
        around = np.s_[max(0, y - 2) : y + 3, max(0, x - 2) : x + 3]
        assert (image[around] - usual[around]).max() > 25
        places.append((x, y))
    assert np.hypot(*np.ptp(places, axis=0)) > 100


def test_animations_play_all_frames(animations, frames):
    """Both formats have a frame for each of the product, of the same size; PNG is exact."""
    shown = read_frames(frames)
    for path in animations.values():
        with Image.open(path) as image:
            assert (image.n_frames, image.is_animated) == (7, True)
            assert image.size == (340, 240 + 44)
            for k in range(7):
                image.seek(k)
                grey = np.asarray(image.convert("L"))[:240, 10:330][::-1]
                far = np.abs(grey.astype(int) - shown.images[k]).max()
                assert far == 0 if path.suffix == ".png" else far < 60


def test_animations_carry_their_record(animations, frames):
    """They are sealed, name the frames, and tell the way down to the raw frames."""
    for path in animations.values():
        assert is_of_a_run(path)
        assert fault(path) == ""
        record = record_of(path)
        assert record.making.step == "encode_blink"
        assert record.making.products == [f"moved/blink/{CHANNEL}.fits"]
        assert len([raw for raw in record.raws.values() if raw.kind == "light"]) >= 8
        changed = bytearray(path.read_bytes())
        changed[-200] ^= 1
        path.with_name(f"changed{path.suffix}").write_bytes(changed)
        assert fault(path.with_name(f"changed{path.suffix}")) != ""


def test_keywords_have_lines_and_astropy_reads_them(frames):
    """Each keyword of the frames has a line that names them; headers keep the standard."""
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        with fits.open(frames, checksum=True) as hdus:
            hdus.verify("exception")
            cards = [card for hdu in hdus for card in hdu.header.cards]
            assert {hdu.verify_datasum() for hdu in hdus} == {1}
            assert hdus["SCI"].data.dtype == np.uint8
    for card in cards:
        line = entry(card.keyword)
        every = line.products.startswith("all")
        assert every or "blink" in line.products.split(", "), card.keyword


def test_the_whole_field_has_its_place_on_the_sky(bench, tmp_path):
    """Frames reduced by 2 have stars where the solution has them, and north points north."""
    solution = fits.Header([("PLACED", True), ("GRIDNX", 320), ("GRIDNY", 240)])
    sky_map = SkyMap(158.6, 30.0, 159.5, 119.5, (-6e-4, 1e-4, 1e-4, 6e-4))
    solution.update(world_cards(sky_map, (240, 320)))
    registered, _ = read_registration(bench.make_registration(CHANNEL))
    part = whole_grid((240, 320), 200)
    frames = resampled_frames(sources_of(bench), job_of(bench), part)
    path = tmp_path / "b.fits"
    write_product(path, [], frames_hdus(drawn(frames, registered, sky_map), registered, solution))
    with fits.open(path) as hdus:
        wcs = WCS(hdus["SCI"].header, naxis=2)
    x, y = wcs.all_world2pix(*sky_map.sky(101.5, 60.5), 0)
    assert (float(x), float(y)) == pytest.approx((50.5, 30.0), abs=1e-6)
    read, direct = read_frames(path).place, SkyPlace.at(sky_map, *part.middle, part.factor)
    for one, other in zip(vars(read).values(), vars(direct).values(), strict=True):
        assert one == pytest.approx(other, abs=1e-4)
    assert read.north[1] > 0.9


def test_twice_the_same_bytes(bench, frames, animations, tmp_path):
    """Made again, frames and animations are the same files."""
    again = make_frames(bench, tmp_path / "results" / "tiny" / "moved" / "blink" / "b.fits")
    assert again.read_bytes() == frames.read_bytes()
    job = json.loads(encode_blink_job(bench.plan, CHANNEL))
    for ending, path in animations.items():
        encode_blink(again, again.with_suffix(f".{ending}"), job)
        assert again.with_suffix(f".{ending}").read_bytes() == path.read_bytes()
