"""The records of real products, made by the steps themselves."""

import json
from pathlib import Path

import pytest
from assess_subs import assess_subs
from master_bias import master_bias
from measure_stars import measure_stars
from register import register

from platefiles.core.hashing import digest, file_sha256
from platefiles.fits.hdu_layout import content_digest
from platefiles.plan.calibration_jobs import master_job, measure_stars_job
from platefiles.plan.channel_jobs import assess_job, integrate_job, register_job
from platefiles.plan.grid_jobs import channel_pins
from platefiles.provenance.activities import RAW, TEXT
from platefiles.provenance.record import measured_alone, read_record


@pytest.fixture(scope="module")
def channel(bench):
    """Path of a channel that is laid on the grid of another one's sub."""
    bench.make_lock()
    return bench.make_channel("ha")


def test_a_channel_records_all_that_it_came_from(bench, channel):
    """Jobs are those of the plan, digests those of the files, raw frames those that were read."""
    plan, record = bench.plan, read_record(channel)
    jobs = {
        plan.paths.channel("ha"): integrate_job(plan, "ha"),
        plan.paths.registration("ha"): assess_job(plan, "ha"),
        **{
            f"{plan.results}/registration/ha/{n}.fits": register_job(plan, "ha", n)
            for n in plan.nights("ha")
        },
        **{
            plan.paths.measures("ha", n): measure_stars_job(plan, "ha", n)
            for n in plan.nights("ha")
        },
        **{p: master_job(plan, Path(p).stem) for p in plan.masters_of(plan.lights("ha"))},
    }
    for path, job in jobs.items():
        making = record.makings[Path(path).relative_to(plan.results).as_posix()]
        assert making.job == job
        assert making.digest == content_digest(path)
        assert making.creator.startswith("platelog ")
    by_digest = {file_sha256(frame.path): frame for frame in plan.frames}
    for sha256, raw in record.raws.items():
        frame = by_digest[sha256]
        assert (raw.name, raw.kind) == (frame.name, frame.role)
        assert (raw.size_bytes, raw.fingerprint) == (frame.size_bytes, frame.fingerprint)
    lights = [f"{RAW}{file_sha256(frame.path)}" for frame in plan.lights("ha")]
    assert list(record.making.inputs["raw"]) == lights


def test_the_record_and_the_raw_frames_suffice_to_register_again(bench, channel, tmp_path):
    """Measures, reference and lock made from the record give the registration byte for byte."""
    record = read_record(channel)
    frames = {file_sha256(frame.path): frame.path for frame in bench.plan.frames}
    made: dict[str, str] = {}
    for making in record.of("registration/ha.fits").makings.values():
        job, path = json.loads(making.job), str(tmp_path / making.product)
        given = {
            key: [frames.get(name.removeprefix(RAW)) or made.get(name, name) for name in names]
            for key, names in making.inputs.items()
        }
        if making.step == "measure_stars":
            measure_stars(given["raw"], given["masters"], path, job)
        elif making.step == "register":
            assert given["lock"] == [f"{TEXT}lock"]
            lock = tmp_path / "lock.yaml"
            lock.write_text(making.texts["lock"], encoding="utf-8")
            register(given["measures"][0], given["references"], lock, path, job)
        elif making.step == "assess_subs":
            assess_subs(given["registrations"], path, job)
        else:
            path = f"{bench.plan.results}/{making.product}"
        made[making.product] = path
    registered = Path(made["registration/ha.fits"]).read_bytes()
    assert registered != b""
    assert registered == Path(bench.make_registration("ha")).read_bytes()


def test_more_subs_beside_the_reference_change_nothing(bench, channel):
    """The job of the reference alone is the one whose digest the plan has pinned."""
    pins = channel_pins(bench.plan, "ha")
    reference = bench.plan.by_id[pins["grid"][0]]
    assert reference.channel != "ha"
    night = read_record(bench.make_measures(reference.channel, reference.night))
    alone = measured_alone(night, reference.id)
    assert len(night.making.raws) > len(alone.making.raws) == 1
    assert digest(alone.making.job) == pins["measured"]
    recorded = read_record(channel).makings
    assert recorded[alone.making.product] == alone.making
    assert night.making.product not in recorded


def test_a_lock_for_other_channels_is_not_recorded(channel):
    """The recorded lock pins the channel itself, so that new channels change no old one."""
    text = read_record(channel).makings["registration/ha/2026-03-23.fits"].texts["lock"]
    assert "\n  ha: " in text
    assert "\n  g: " not in text


def test_masters_carry_nothing_of_a_project(bench):
    """Projects with the same frames share them."""
    path = bench.make_master(next(n for n, g in bench.plan.masters.items() if g.kind == "flat"))
    record = read_record(path)
    assert bench.plan.loaded.name not in record.text
    assert all(json.loads(making.job)["project"] is None for making in record.makings.values())


def test_a_frame_that_was_left_out_is_recorded_too(bench, tmp_path):
    """The frames of a job are all there, in its order, whether they took part or not."""
    name, group = next((n, g) for n, g in bench.plan.masters.items() if g.kind == "bias")
    raw = bench.raw(bench.plan.by_id[frame_id] for frame_id in group.frame_ids)
    (tmp_path / "cut.fits").write_bytes(Path(raw[1]).read_bytes()[:9000])
    raw[1] = str(tmp_path / "cut.fits")
    master_bias(raw, tmp_path / "b.fits", json.loads(master_job(bench.plan, name)))
    record = read_record(tmp_path / "b.fits")
    assert record.making.raws == [file_sha256(path) for path in raw]
    assert record.raws[record.making.raws[1]].size_bytes == 9000
    assert record.making.product == f"calibration/{name}.fits"
