"""Raw frames that are not what was measured: left out, named, and what is made is provisional."""

import json
import os
import shutil
from pathlib import Path

import numpy as np
import pytest
from calibrate_sub import calibrate_sub
from find_cosmic_rays import find_cosmic_rays
from integrate import integrate
from measure_stars import measure_stars
from register import register
from register_sub import register_sub
from solve_astrometry import solve_astrometry

from platefiles.core.errors import UserError
from platefiles.core.hashing import digest, file_sha256
from platefiles.core.provisional import PROVISIONAL
from platefiles.fits.products_io import read_header, read_image, read_table
from platefiles.jobs.job_log import job_log
from platefiles.plan.calibration_jobs import calibrate_job, cosmic_rays_job, measure_stars_job
from platefiles.plan.channel_jobs import integrate_job, register_job, register_sub_job
from platefiles.plan.grid_jobs import solution_job
from platefiles.provenance.record import read_record
from platefiles.subs.measures import read_measures
from platefiles.workflow.staleness import recorded

CHANNEL, NIGHT = "b", "2026-03-23"
PLANES = ("SCI", "VAR", "COUNT", "CLIPPED")


@pytest.fixture
def lights(bench, tmp_path):
    """Copies of the lights of a channel, to be changed."""
    paths = []
    for frame in bench.plan.lights(CHANNEL):
        paths.append(tmp_path / f"{frame.id}.fits")
        shutil.copyfile(frame.path, paths[-1])
        shutil.copystat(frame.path, paths[-1])
        paths[-1].chmod(0o644)
    return paths


def flip(path, place=30_000, count=2000):
    """Change bytes ahead of the last 64 KB, and set the modification time back."""
    info = os.stat(path)
    content = bytearray(path.read_bytes())
    content[place : place + count] = bytes(byte ^ 0x55 for byte in content[place : place + count])
    path.write_bytes(content)
    os.utime(path, ns=(info.st_atime_ns, info.st_mtime_ns))


def integrated(bench, paths, target, threads=2):
    """Integrate the channel as a job does; return the states by id, and the log."""
    job = json.loads(integrate_job(bench.plan, CHANNEL))
    masters = bench.masters_of(bench.plan.lights(CHANNEL))
    registration = bench.make_registration(CHANNEL)
    log = target.with_suffix(".log")
    with job_log(log):
        integrate(paths, masters, registration, target, job, threads)
    table = read_table(target, "INPUTS")
    return {row["id"]: (row["state"], row["reason"], row["sha256"]) for row in table}, log


@pytest.mark.parametrize("damaged", [[1], [1, 4, 6]])
def test_damaged_subs_are_left_out_of_the_integration(bench, lights, tmp_path, damaged):
    """Each is named with its rows; the pixels are those without them, and the record is true."""
    flipped = [lights[number] for number in damaged]
    for path in flipped:
        flip(path)
    found, log = integrated(bench, lights, tmp_path / "found.fits")
    for path in flipped:
        state, reason, sha256 = found[path.stem]
        assert (state, sha256) == ("unreadable", file_sha256(path))
        assert reason.startswith("changed since it was measured (rows 1 to 128); restore it from")
        assert sha256 in read_record(tmp_path / "found.fits").raws
    said = log.read_text()
    assert said.count("restarted without it") <= 1  # none where it shows as subs are opened
    assert said.splitlines()[-1].startswith("WARNING provisional, to be made again: 2026-03-2")
    for path in flipped:
        path.write_text("no frame")
    without, _ = integrated(bench, lights, tmp_path / "without.fits")
    assert {one: state for one, (state, *_) in found.items()} == {
        one: state for one, (state, *_) in without.items()
    }
    for plane in PLANES:
        one, other = (read_image(tmp_path / f"{n}.fits", plane)[0] for n in ("found", "without"))
        np.testing.assert_array_equal(one, other)


def test_what_lacks_a_damaged_sub_does_not_claim_its_job(bench, lights, tmp_path):
    """It counts as stale; with the frame put back the file is that of a whole night."""
    job = digest(integrate_job(bench.plan, CHANNEL))
    flip(lights[3])
    integrated(bench, lights, tmp_path / "channel.fits")
    assert recorded(str(tmp_path / "channel.fits")) == PROVISIONAL
    flip(lights[3])
    integrated(bench, lights, tmp_path / "channel.fits")
    assert recorded(str(tmp_path / "channel.fits")) == job
    integrated(bench, bench.raw(bench.plan.lights(CHANNEL)), tmp_path / "whole.fits")
    assert (tmp_path / "channel.fits").read_bytes() == (tmp_path / "whole.fits").read_bytes()


def test_threads_change_nothing_about_a_damaged_sub(bench, lights, tmp_path):
    """One thread or four: the same file."""
    flip(lights[5], place=90_000, count=1)
    for threads in (1, 4):
        integrated(bench, lights, tmp_path / f"{threads}.fits", threads)
    assert (tmp_path / "1.fits").read_bytes() == (tmp_path / "4.fits").read_bytes()


def test_night_is_measured_without_a_sub_that_changed(bench, lights, tmp_path):
    """A frame that is not as it was scanned is unreadable, the others are measured as ever."""
    frames = bench.plan.lights(CHANNEL, NIGHT)
    paths = [tmp_path / f"{frame.id}.fits" for frame in frames]
    with open(paths[1], "r+b") as file:
        file.seek(-100, os.SEEK_END)
        file.write(b"changed")
    job = json.loads(measure_stars_job(bench.plan, CHANNEL, NIGHT))
    measure_stars(paths, bench.masters_of(frames), tmp_path / "m.fits", job)
    subs = read_measures([tmp_path / "m.fits"])
    whole = read_measures([bench.make_measures(CHANNEL, NIGHT)])
    for number, (sub, plain) in enumerate(zip(subs, whole, strict=True)):
        assert sub.usable == (number != 1)
        assert number == 1 or sub.facts == plain.facts
    assert subs[1].facts["reason"].startswith("changed since the run began")
    assert subs[1].facts["sha256"] == file_sha256(paths[1])
    assert read_header(tmp_path / "m.fits")["JOBDIG"] == "provisional"


def test_no_rays_are_sought_in_a_damaged_sub(bench, lights, tmp_path):
    """It has no hits, its record names the file that is there, and the list is provisional."""
    frames = bench.plan.lights(CHANNEL, NIGHT)
    paths = [tmp_path / f"{frame.id}.fits" for frame in frames]
    measures, masters = bench.make_measures(CHANNEL, NIGHT), bench.masters_of(frames)
    job = json.loads(cosmic_rays_job(bench.plan, CHANNEL, NIGHT))
    find_cosmic_rays(paths, masters, measures, tmp_path / "whole.fits", job)
    flip(paths[0])
    find_cosmic_rays(paths, masters, measures, tmp_path / "rays.fits", job)
    whole, found = (read_table(tmp_path / f"{n}.fits", "SUBS") for n in ("whole", "rays"))
    assert list(found["pixels"]) == [0, *whole["pixels"][1:]]
    assert found["sha256"][0] == file_sha256(paths[0]) != whole["sha256"][0]
    digests = [read_header(tmp_path / f"{n}.fits")["JOBDIG"] for n in ("whole", "rays")]
    assert digests == [digest(cosmic_rays_job(bench.plan, CHANNEL, NIGHT)), "provisional"]


def test_stored_subs_are_of_the_frame_that_the_record_names(bench, lights, tmp_path):
    """A registered sub is refused if its frame is damaged; a calibrated one names what it is of."""
    frame = bench.plan.lights(CHANNEL)[0]
    flip(lights[0])
    masters = bench.masters_of([frame])
    job = json.loads(register_sub_job(bench.plan, CHANNEL, frame.id))
    said = rf"{frame.name} changed since it was measured \(rows 1 to 128\); restore it from a copy"
    with pytest.raises(UserError, match=said):
        registration = bench.make_registration(CHANNEL)
        register_sub(lights[0], masters, registration, tmp_path / "r.fits", job)
    assert not (tmp_path / "r.fits").exists()
    job = json.loads(calibrate_job(bench.plan, frame.id))
    calibrate_sub(lights[0], masters, tmp_path / "c.fits", job)
    assert read_header(tmp_path / "c.fits")["RAWSHA"] == file_sha256(lights[0])
    lights[0].write_text("no frame")
    with pytest.raises(UserError, match="changed since the run began; the next run"):
        calibrate_sub(lights[0], masters, tmp_path / "d.fits", job)


def test_reference_that_changed_is_not_given_up(bench, lights, tmp_path):
    """Where the grid's reference was changing, nobody is told to choose another grid."""
    lock = bench.make_lock()
    pinned = bench.plan.pinned
    frame = bench.plan.by_id[pinned.reference]
    frames = bench.plan.lights(frame.channel, frame.night)
    paths = bench.raw(frames)
    changed = tmp_path / "changed.fits"
    changed.write_bytes(Path(frame.path).read_bytes()[:-9000] + bytes(9000))
    paths[frames.index(frame)] = changed
    job = json.loads(measure_stars_job(bench.plan, frame.channel, frame.night))
    measure_stars(paths, bench.masters_of(frames), tmp_path / "m.fits", job)
    said = f"the reference {frame.name} .*changed since the run began.*; run again"
    job = json.loads(register_job(bench.plan, frame.channel, frame.night))
    with pytest.raises(UserError, match=said):
        register(tmp_path / "m.fits", [tmp_path / "m.fits"], lock, tmp_path / "r.fits", job)
    job = json.loads(solution_job(bench.plan))
    solution = tmp_path / "solution.fits"
    with pytest.raises(UserError, match=said):
        solve_astrometry([frame.path], [tmp_path / "m.fits"], lock, None, solution, job)
    measures = bench.make_measures(frame.channel, frame.night)
    with pytest.raises(UserError, match=said):
        solve_astrometry([changed], [measures], lock, None, solution, job)
