"""The steps of the tiny set, run directly and once, for all tests of steps."""

import argparse
import json
import os
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from assess_subs import assess_subs
from astropy.io import fits
from astropy.table import Table
from choose_reference import choose_reference
from find_zero_points import find_zero_points
from integrate import integrate
from integrate_night import integrate_night
from master_bias import master_bias
from master_dark import master_dark
from master_flat import master_flat
from measure_stars import measure_stars
from register import register
from solve_astrometry import solve_astrometry
from steps.drafts import draft_project, draft_projects

from platecli.verbs import check
from platefiles.calibration.matching import match_calibration
from platefiles.config.load import load_project
from platefiles.core.errors import UserError
from platefiles.frames.frame import Frame
from platefiles.plan.calibration_jobs import master_job, measure_stars_job
from platefiles.plan.channel_jobs import (
    assess_job,
    integrate_job,
    integrate_night_job,
    register_job,
)
from platefiles.plan.field_jobs import zero_points_job
from platefiles.plan.grid_jobs import grid_job, solution_job
from platefiles.plan.project_plan import ProjectPlan
from platefiles.raw_folders.frame_list import build_frame_list
from platefiles.raw_folders.scan import scan_folders
from platefiles.raw_frames.fingerprint import file_fingerprint

MASTER_STEPS = {"dark": master_dark, "flat": master_flat}


@dataclass(frozen=True)
class Bench:
    """A project whose steps are run by hand; its results lie in the folder of its plan."""

    plan: ProjectPlan
    lock: Path

    @cached_property
    def truth(self) -> dict[str, Any]:
        """What the simulator knows about the frames, by name without the ending."""
        path = self.plan.loaded.raw_folders[0] / "truth" / "observation.json"
        return json.loads(path.read_text())

    def truth_table(self, name: str) -> Table:
        """One table of the truth."""
        return Table.read(self.plan.loaded.raw_folders[0] / "truth" / f"{name}.ecsv")

    @staticmethod
    def raw(frames: Iterable[Frame]) -> list[str]:
        """Paths of raw frames."""
        return [frame.path for frame in frames]

    def make_master(self, name: str) -> str:
        """Run the step of one master, after those that it needs."""
        path = self.plan.paths.master(name)
        if Path(path).exists():
            return path
        below = [self.make_master(Path(other).stem) for other in self.plan.masters_below(name)]
        group = self.plan.masters[name]
        raw = self.raw(self.plan.by_id[frame_id] for frame_id in group.frame_ids)
        job = json.loads(master_job(self.plan, name))
        if group.kind == "bias":
            master_bias(raw, path, job)
        else:
            MASTER_STEPS[group.kind](raw, below, path, job)
        return path

    def masters_of(self, frames: Sequence[Frame]) -> list[str]:
        """Make the masters of some lights and return their paths."""
        return [self.make_master(Path(path).stem) for path in self.plan.masters_of(frames)]

    def make_measures(self, channel: str, night: str, **changes: Any) -> str:
        """Run `measure_stars` for one channel and night."""
        path = self.plan.paths.measures(channel, night)
        lights = self.plan.lights(channel, night)
        job = json.loads(measure_stars_job(self.plan, channel, night)) | changes
        if not Path(path).exists():
            measure_stars(self.raw(lights), self.masters_of(lights), path, job)
        return path

    def all_measures(self) -> list[str]:
        """Measures of all channels and nights."""
        plan = self.plan
        return [self.make_measures(c, night) for c in plan.channels for night in plan.nights(c)]

    def make_lock(self) -> Path:
        """Run `choose_reference`."""
        if not self.lock.exists():
            choose_reference(self.all_measures(), self.lock, json.loads(grid_job(self.plan)))
        return self.lock

    def make_registration(self, channel: str) -> str:
        """Register one channel."""
        path = f"{self.plan.results}/registration/{channel}.fits"
        if not Path(path).exists():
            self.register_channel(channel, path)
        return path

    def register_channel(
        self, channel: str, path: str | Path, lock: Path | None = None, **settings: Any
    ) -> str:
        """Run `register` for the nights of a channel, and `assess_subs`, with changed settings."""
        lock = lock or self.make_lock()  # the job tells what it pins
        nights = []
        for night in self.plan.nights(channel):
            job = self._changed(register_job(self.plan, channel, night), settings)
            nights.append(f"{str(path).removesuffix('.fits')}/{night}.fits")
            references = self.all_measures()
            register(self.make_measures(channel, night), references, lock, nights[-1], job)
        job = self._changed(assess_job(self.plan, channel), settings)
        assess_subs(nights, path, job)
        return str(path)

    @staticmethod
    def _changed(job: str, settings: dict[str, Any]) -> dict[str, Any]:
        """Parse a job and change those of its settings that are given by group."""
        parsed = json.loads(job)
        for group, values in settings.items():
            if group in parsed["settings"]:
                parsed["settings"][group] |= values
        return parsed

    def make_channel(self, channel: str, path: str | Path | None = None, **changes: Any) -> str:
        """Run `integrate` for one channel, with changes of its settings."""
        path = str(path or f"{self.plan.results}/channels/{channel}.fits")
        if not Path(path).exists():
            lights = self.plan.lights_merged(channel)
            registration = self.make_registration(channel)
            nights = [self.make_night(channel, n) for n in self.plan.nights_alone(channel)]
            job = json.loads(integrate_job(self.plan, channel))
            job["settings"]["integration"] |= changes
            integrate(
                *(self.raw(lights), self.masters_of(lights), registration, path, job),
                path_to_solution=self.make_solution(),
                paths_to_nights=nights,
            )
        return path

    def make_night(self, channel: str, night: str) -> str:
        """Run `integrate_night` for one channel and night."""
        path = f"{self.plan.results}/nights/{channel}/{night}.fits"
        if not Path(path).exists():
            lights = self.plan.lights(channel, night)
            registration = f"{self.make_registration(channel).removesuffix('.fits')}/{night}.fits"
            job = json.loads(integrate_night_job(self.plan, channel, night))
            integrate_night(self.raw(lights), self.masters_of(lights), registration, path, job)
        return path

    def make_solution(self, path: str | Path | None = None, **changes: Any) -> str:
        """Run `solve_astrometry`, with changes of its job."""
        plan, path = self.plan, str(path or self.plan.paths.solution)
        if not Path(path).exists():
            lock = self.make_lock()
            measures = self.all_measures()
            frame = plan.by_id[plan.pinned.reference]
            job = json.loads(solution_job(plan)) | changes
            wanted = plan.paths.measures(frame.channel, frame.night)
            assert wanted in measures
            solve_astrometry([frame.path], [wanted], lock, plan.star_path, path, job)
        return path

    def make_zero_points(self) -> str:
        """Run `find_zero_points`."""
        plan, path = self.plan, self.plan.paths.zero_points
        if not Path(path).exists():
            channels = [self.make_channel(channel) for channel in plan.channels]
            registrations = [self.make_registration(channel) for channel in plan.channels]
            solution, measures = self.make_solution(), self.all_measures()
            job = json.loads(zero_points_job(plan))
            find_zero_points(solution, channels, registrations, measures, path, job)
        return path

    def matrix(self, frame: Frame) -> np.ndarray:
        """Scene to raw pixel of a light, ``(2, 3)``."""
        return np.array(self.truth["frames"][frame.name.removesuffix(".fits")]["matrix"])


@pytest.fixture(scope="session")
def as_scanned():
    """Return a way to a job whose frames, or subs, have the fingerprints of some files."""

    def scanned(job: dict[str, Any], paths: Sequence[str | Path]) -> dict[str, Any]:
        key = "frames" if "frames" in job else "subs"
        rows = [job["sub"]] if "sub" in job else job[key]
        new = []
        for path, row in zip(paths, rows, strict=False):
            new.append(row | {"fingerprint": file_fingerprint(path)})
        return job | ({"sub": new[0]} if "sub" in job else {key: new})

    return scanned


@pytest.fixture(scope="session")
def make_bench(write_project):
    """Return a way to a bench for a folder of raw frames and further keys of the project file."""

    def make(folder: Path, raw: Path, **keys: Any) -> Bench:
        path = write_project(folder / "projects" / "tiny.yaml", raw, **keys)
        loaded = load_project(path, "")
        frames = build_frame_list(scan_folders(loaded.raw_folders, None, False), loaded)
        matched = match_calibration(frames, loaded)
        plan = ProjectPlan(loaded, tuple(frames), matched, str(folder / "results"))
        return Bench(plan, loaded.lock_path)

    return make


@pytest.fixture(scope="session")
def bench(make_bench, tiny_raw, tmp_path_factory) -> Bench:
    """The tiny set as it is; its products are made once and only read."""
    return make_bench(tmp_path_factory.mktemp("bench"), tiny_raw)


class DraftBench:
    """A checkout with room for project files, and a raw folder."""

    def __init__(self, root):
        self.projects = root / "checkout" / "config" / "projects"
        self.raw = root / "frames"
        self.raw.mkdir(parents=True)
        self.said = ""
        self._count = 0

    def frame(self, name, data=None, **cards):
        """Write a raw frame whose pixels no other frame has."""
        self._count += 1
        if data is None:
            data = np.full((6, 8), self._count, dtype=np.uint16)
        path = os.path.join(os.fspath(self.raw), name)
        os.makedirs(os.path.dirname(path), exist_ok=True)
        header = fits.Header({key.replace("_", "-"): value for key, value in cards.items()})
        hdu = fits.PrimaryHDU(data, header)
        with open(path, "wb") as stream:
            hdu.writeto(stream)
        os.utime(path, (1e9, 1e9))  # a scan waits for files that were written just now

    def lights(self, filters, exposure=60.0, count=2, night="2026-02-03", **cards):
        """Write lights through some filters."""
        for value in filters:
            for number in range(count):
                self.frame(
                    f"l_{self._count}.fits",
                    IMAGETYP="light",
                    EXPTIME=exposure,
                    FILTER=value,
                    DATE_OBS=f"{night}T22:{number:02d}:00",
                    **cards,
                )

    def draft(self, name="field"):
        """Draft a project; give its text and what it loads to."""
        path = draft_project(name, [self.raw], self.projects)
        return path.read_text(encoding="utf-8"), load_project(path, self.projects)

    def drafts(self, name="field", **choices):
        """Draft a project for each target; give what they load to, by name."""
        paths = draft_projects(name, [self.raw], self.projects, **choices)
        return {path.stem: load_project(path, self.projects) for path in paths}

    def check(self, capsys):
        """Run the verb `check` on all drafts; give its status and errors, and keep its lines."""
        paths = [str(path) for path in sorted(self.projects.glob("*.yaml"))]
        args = argparse.Namespace(project=paths, to=["all"], directory=self.projects.parents[1])
        status = check.run(args)
        self.said, errors = capsys.readouterr()
        return status, errors

    def refused(self, name="field", raw=None, **choices):
        """Give the sentence with which a draft is refused, and see that nothing is written."""
        before = sorted(self.projects.glob("*")) if self.projects.exists() else []
        with pytest.raises(UserError) as caught:
            draft_projects(name, [raw or self.raw], self.projects, **choices)
        after = sorted(self.projects.glob("*")) if self.projects.exists() else []
        assert after == before
        assert "\n" not in str(caught.value)
        return str(caught.value)


@pytest.fixture
def drafting(tmp_path, monkeypatch) -> DraftBench:
    """Give a bench for drafts, with its checkout as the working directory."""
    bench = DraftBench(tmp_path)
    (tmp_path / "checkout").mkdir()
    monkeypatch.chdir(tmp_path / "checkout")
    return bench
