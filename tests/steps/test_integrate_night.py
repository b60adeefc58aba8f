"""Nights that are integrated once and merged, against all subs in one pass."""

import itertools
import json
from dataclasses import replace

import numpy as np
import pytest
from assess_subs import assess_subs
from drawn_nights import NOISE, OBJECT, SHAPE, dither_px, draw_nights, stars
from integrate import integrate
from integrate_night import integrate_night
from register import register
from register_sub import register_sub

from platefiles.audit.pixel_history import Source, pixel_history
from platefiles.core.hashing import file_sha256
from platefiles.fits.products_io import has_image, read_header, read_image, read_table
from platefiles.plan.channel_jobs import (
    assess_job,
    integrate_job,
    integrate_night_job,
    register_job,
    register_sub_job,
)
from platefiles.registration.registration_table import read_registration

NIGHTS = {"2031-02-03": 7, "2031-02-04": 6, "2031-02-06": 5, "2031-02-09": 2, "2031-03-01": 6}
VISITED = "2031-02-06"
_PICTURE = {"red": {"g": 1}, "green": {"g": 1}, "blue": {"g": 1}, "luminance": None}


def _bench_of(make_bench, folder, raw, **integration):
    return make_bench(
        folder,
        raw,
        calibrated=True,
        reference="2031-02-03/g-0.fits",
        channels={"g": {"filters": ["g"]}},
        overrides={"mapping": _PICTURE, "integration": integration},
    )


@pytest.fixture(scope="module")
def raw(tmp_path_factory):
    """Five nights, one of them with two subs, one with worse seeing, one with a visitor."""
    folder = tmp_path_factory.mktemp("raw")
    draw_nights(folder, NIGHTS, {"2031-02-04": 3.9}, tracks=25, visited=VISITED)
    return folder


@pytest.fixture(scope="module")
def by_night(make_bench, raw, tmp_path_factory):
    """The nights with stacks, merged."""
    return _bench_of(make_bench, tmp_path_factory.mktemp("nights"), raw)


@pytest.fixture(scope="module")
def in_one_pass(make_bench, raw, tmp_path_factory):
    """All subs at once."""
    return _bench_of(make_bench, tmp_path_factory.mktemp("once"), raw, by_night="never")


def test_short_nights_are_merged_sub_by_sub(by_night):
    """Nights of five lights and more have stacks, the other's subs are inputs of the channel."""
    assert by_night.plan.nights_alone("g") == [n for n, count in NIGHTS.items() if count >= 5]
    assert {frame.night for frame in by_night.plan.lights_merged("g")} == {"2031-02-09"}
    rows = read_table(by_night.make_channel("g"), "NIGHTS")
    assert dict(zip(rows["night"], rows["subs"], strict=True)) == {
        night: count for night, count in NIGHTS.items() if count >= 5
    }


def test_the_stack_of_a_night_is_an_honest_mean(by_night):
    """Its scatter over the sky is that of `VAR`, and `WEIGHT` is the sum of 1 / noise^2."""
    path = by_night.make_night("g", "2031-02-03")
    image, variance = (read_image(path, name)[0] for name in ("SCI", "VAR"))
    sky = _apart() & np.isfinite(image)
    scatter = np.std(image[sky])
    assert scatter == pytest.approx(np.sqrt(np.median(variance[sky])), rel=0.06)
    rows, _ = read_registration(by_night.make_registration("g"))
    noise = [r.facts["noise_rate"] for r in rows if r.facts["night"] == "2031-02-03"]
    weight = read_image(path, "WEIGHT")[0]
    assert np.median(weight) == pytest.approx(np.sum(1 / np.square(noise)), rel=2e-3)
    assert np.median(read_image(path, "COUNT")[0]) == 7


def _on_grid(places):
    """Return places of the sky on the grid, which are the pixels of the reference sub."""
    return np.asarray(places) + dither_px("2031-02-03", 0)


def _apart():
    rows, columns = np.ogrid[: SHAPE[0], : SHAPE[1]]
    places = _on_grid([*stars()[:, :2], OBJECT])
    far = np.min([np.hypot(columns - x, rows - y) for x, y in places], axis=0) > 9
    inside = np.zeros(SHAPE, dtype=bool)
    inside[8:-8, 8:-8] = True
    return far & inside


def test_merged_nights_are_as_good_as_one_pass(by_night, in_one_pass):
    """Noise within 0.5 %, variance within 3 %, fluxes of stars within 0.2 %, no track left."""
    merged, once = (b.make_channel("g") for b in (by_night, in_one_pass))
    sky = _apart()
    images = [read_image(path)[0] for path in (merged, once)]
    variances = [read_image(path, "VAR")[0] for path in (merged, once)]
    noise = [np.std(image[sky]) for image in images]
    assert noise[0] == pytest.approx(noise[1], rel=0.005)
    np.testing.assert_allclose(variances[0][sky], variances[1][sky], rtol=0.35)
    assert np.median(variances[0] / variances[1]) == pytest.approx(1, abs=0.005)
    worst = [np.max(np.abs(image[sky] - np.median(image[sky]))) for image in images]
    assert worst[0] < max(1.1 * worst[1], 6 * noise[1])
    level = np.median(images[1][sky])
    bright = _on_grid(stars()[np.argsort(-stars()[:, 2])[:20], :2])
    inside = ((bright > 10) & (bright < np.array(SHAPE[::-1]) - 10)).all(axis=1)
    rows, columns = np.ogrid[: SHAPE[0], : SHAPE[1]]
    fluxes = [
        [np.sum((image - level)[np.hypot(columns - x, rows - y) < 4]) for image in images]
        for x, y in bright[inside]
    ]
    assert len(fluxes) > 8
    ratios = np.divide(*np.transpose(fluxes))
    assert np.median(ratios) == pytest.approx(1, abs=0.002)
    assert np.max(np.abs(ratios - 1)) < 0.01


def test_what_stays_for_a_night_is_rejected_among_nights(by_night):
    """The visitor is in the stack of its night, and not in the channel."""
    x, y = np.rint(_on_grid(OBJECT)).astype(int)
    box = np.s_[y - 2 : y + 3, x - 2 : x + 3]
    stack = read_image(by_night.make_night("g", VISITED))[0]
    channel = by_night.make_channel("g")
    image, sigma = read_image(channel)[0], np.sqrt(read_image(channel, "VAR")[0])
    level = np.median(image)
    assert np.max(stack[box]) - level > 5 * NOISE / np.sqrt(5)
    assert np.max((image[box] - level) / sigma[box]) < 5


def test_pixels_follow_from_subs_through_both_levels(by_night):
    """A pixel of the channel is made again from raw frames, each night with its own subs."""
    plan, channel = by_night.plan, by_night.make_channel("g")
    nights = []
    for night in plan.nights_alone("g"):
        registration = f"{plan.results}/registration/g/{night}.fits"
        raws = by_night.raw(plan.lights("g", night))
        own = {"raw": raws, "masters": [], "registration": [registration]}
        path = by_night.make_night("g", night)
        nights.append(Source(path, integrate_night_job(plan, "g", night), own))
    inputs = {
        "raw": by_night.raw(plan.lights_merged("g")),
        "masters": [],
        "registration": [by_night.make_registration("g")],
        "nights": [night.path for night in nights],
    }
    source = Source(channel, integrate_job(plan, "g"), inputs)
    x, y = np.rint(_on_grid(OBJECT)).astype(int)
    for place in ((x + 1, y + 1), (40, 60), (1, 1)):
        found = pixel_history(source, nights, *map(int, place))
        assert found.same
        assert len(found.samples) == sum(NIGHTS.values())
        assert [night.night for night in found.nights] == plan.nights_alone("g")
    visited = pixel_history(source, nights, int(x + 1), int(y + 1))
    fates = {night.night: night.fate for night in visited.nights}
    assert fates.pop(VISITED) == "clipped high"
    assert set(fates.values()) == {"kept"}


def test_a_night_with_few_usable_subs_keeps_them_apart(by_night, tmp_path):
    """With limits that few subs pass, a night stores these; without any it has no image."""
    plan, night = by_night.plan, "2031-02-04"
    registration = f"{by_night.make_registration('g').removesuffix('.fits')}/{night}.fits"
    lights = by_night.raw(plan.lights("g", night))
    rows = read_table(registration, "TRANSFORMS")
    job = json.loads(integrate_night_job(plan, "g", night))
    for fewest, count in ((sorted(rows["stars"])[-3], None), (10_000, 0)):
        job["settings"]["quality"]["min_stars"] = int(fewest)
        path = tmp_path / f"{fewest}.fits"
        integrate_night(lights, [], registration, path, job)
        assert read_header(path)["STACKED"] is False
        used = [row for row in read_table(path, "INPUTS") if row["state"] == "used"]
        if count == 0:
            assert not used and not has_image(path, "SCI")
        else:
            assert 0 < len(used) < 5
            cube = read_image(path)[0]
            assert cube.shape == (len(used), *SHAPE)
            assert read_image(path, "MASK")[0].shape == cube.shape


def test_stored_subs_are_merged_as_open_ones(make_bench, raw, by_night, tmp_path):
    """Whether a short night is read from raw frames or from its product changes no pixel."""
    stored = _bench_of(make_bench, tmp_path, raw, by_night="always")
    assert stored.plan.lights_merged("g") == []
    one, other = (bench.make_channel("g") for bench in (stored, by_night))
    for name in ("SCI", "VAR", "COUNT", "CLIPPED"):
        np.testing.assert_array_equal(read_image(one, name)[0], read_image(other, name)[0])


def test_stored_registered_subs_are_those_of_their_night(by_night, tmp_path):
    """Where one sub of a night covers the grid, both search it, whatever other nights cover."""
    plan, registration = by_night.plan, by_night.make_registration("g")
    night = "2031-02-09"
    stacked = json.loads(register_sub_job(plan, "g", plan.lights("g", "2031-02-04")[0].id))
    merged = json.loads(register_sub_job(plan, "g", plan.lights("g", night)[0].id))
    assert (stacked["alone"], merged["alone"]) == (True, False)
    for frame in (plan.lights("g", "2031-02-04")[0], plan.lights("g", night)[0]):
        job = json.loads(register_sub_job(plan, "g", frame.id))
        register_sub(frame.path, [], registration, tmp_path / f"{frame.id}.fits", job)
        values = read_image(tmp_path / f"{frame.id}.fits")[0]
        assert np.isfinite(values).mean() > 0.9


@pytest.fixture(scope="module")
def five(make_bench, tmp_path_factory):
    """Five nights of five subs; the first has the reference."""
    folder = tmp_path_factory.mktemp("five")
    nights = {f"2031-02-0{k}": 5 for k in range(3, 8)}
    draw_nights(folder / "raw", nights, {"2031-02-03": 2.6}, tracks=10)
    bench = _bench_of(make_bench, folder, folder / "raw")
    bench.make_lock()
    return bench


def _until(bench, nights):
    """The plan of a project as it was when only some nights were there."""
    frames = tuple(f for f in bench.plan.frames if f.night in nights)
    return replace(bench.plan, frames=frames)


def _grown(bench, order, folder) -> tuple[str, ...]:
    """Make a channel night by night in an order; return the digests of channel and stacks."""
    first, made = bench.plan.nights("g")[0], {}
    for k in range(1, len(order) + 1):
        plan = _until(bench, {first, *order[:k]})
        for night in plan.nights_alone("g"):
            if night in made:
                continue
            registration = folder / "registration" / f"{night}.fits"
            measures = bench.make_measures("g", night)
            references = plan.reference_measures("g")
            job = json.loads(register_job(plan, "g", night))
            register(measures, references, bench.lock, registration, job)
            path = folder / "nights" / "g" / f"{night}.fits"
            job = json.loads(integrate_night_job(plan, "g", night))
            raws = bench.raw(plan.lights("g", night))
            integrate_night(raws, [], registration, path, job)
            made[night] = path
    plan = bench.plan
    selection, channel = folder / "registration" / "g.fits", folder / "channels" / "g.fits"
    registrations = [folder / "registration" / f"{night}.fits" for night in plan.nights("g")]
    assess_subs(registrations, selection, json.loads(assess_job(plan, "g")))
    nights = [made[night] for night in plan.nights_alone("g")]
    job = json.loads(integrate_job(plan, "g"))
    integrate([], [], selection, channel, job, paths_to_nights=nights)
    return tuple(file_sha256(path) for path in (channel, *nights))


def test_nights_in_all_orders_make_the_same_bytes(five, tmp_path):
    """Four nights that come in any of 24 orders after the first: one digest of each product."""
    first, *others = five.plan.nights("g")
    assert five.plan.nights_alone("g") == [first, *others]
    digests = {
        _grown(five, order, tmp_path / str(number))
        for number, order in enumerate(itertools.permutations(others))
    }
    assert len(digests) == 1


def test_the_job_of_a_night_depends_on_no_other_night(five):
    """It is the same text whatever other nights there are."""
    first, *others = five.plan.nights("g")
    for night in others:
        texts = {
            integrate_night_job(_until(five, {first, night, *more}), "g", night)
            for count in range(len(others))
            for more in itertools.combinations(others, count)
        }
        assert len(texts) == 1
