"""Real runs of the workflow, each in a process of its own, on copies of one finished run."""

import contextlib
import hashlib
import os
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
import yaml
from astropy.io import fits
from workflow.fault_checks import products_of

from platecli.text.outlook import look_ahead
from platefiles.workflow.open_project import open_projects
from platelog import child_environment

ROOT = Path(__file__).resolve().parents[2]


@dataclass(frozen=True)
class Home:
    """A folder with raw frames, a project file and, after a run, results."""

    folder: Path
    checkout: Path = ROOT
    """The code that is run."""

    @property
    def raw(self) -> Path:
        """Folder of the raw frames."""
        return self.folder / "raw"

    @property
    def project(self) -> Path:
        """The project file."""
        return self.folder / "projects" / "tiny.yaml"

    @property
    def lock(self) -> Path:
        """Where the grid is pinned."""
        return self.folder / "projects" / "tiny.lock.yaml"

    @property
    def results(self) -> Path:
        """Results of the project."""
        return self.folder / "results" / "tiny"

    def run(self, *words: str, expected: int = 0) -> str:
        """Run the project with further words and return what was said."""
        command = [*PYTHON, "platecli", "run", str(self.project), "--directory", str(self.folder)]
        return said(command + list(words), expected, checkout=self.checkout)

    def by_hand(self, *words: str, module: str = "snakemake") -> list[str]:
        """Return the command that starts Snakemake itself, as the profile describes.

        With ``module="platecli.execution.engine"`` it is started as the verbs do, which also works
        in a checkout whose path has blanks.
        """
        command = [*PYTHON, module, "--snakefile", str(self.checkout / "Snakefile")]
        command += ["--workflow-profile", str(self.checkout / "config" / "profile")]
        command += ["--directory", str(self.folder), "--config", f"projects={self.project}"]
        return command + list(words)

    def to_do(self, *words: str) -> list[str]:
        """Return the jobs that Snakemake would do, without reasons and without the project."""
        target = () if "--to" in words else ("--to", "all")
        lines = self.run("--dry-run", *target, *words, "--", "--nocolor").splitlines()
        jobs = [line.split("  (")[0].strip() for line in lines if line.startswith("  ")]
        return sorted(_without_project(job) for job in jobs)

    def planned(self) -> list[str]:
        """Return the jobs that are to be done for all targets, without asking Snakemake."""
        with contextlib.chdir(self.folder):
            plans, problems = open_projects([str(self.project)], self.folder, True, dry_run=True)
            assert problems == {}
            products = look_ahead(plans["tiny"], "all").to_make
        return sorted(f"{p.rule.replace('_', ' ')} {p.about}".strip() for p in products)

    def forget(self) -> None:
        """Lose what Snakemake noted about earlier runs."""
        shutil.rmtree(self.folder / ".snakemake")

    def change_project(self, **keys: Any) -> None:
        """Change keys of the project file."""
        project = yaml.safe_load(self.project.read_text(encoding="utf-8"))
        self.project.write_text(yaml.safe_dump(project | keys, sort_keys=False), encoding="utf-8")

    def add_frame(self, night: str, name: str, source: str) -> None:
        """Add a raw frame that shows what another one does, two pixels aside."""
        with fits.open(self.raw / source) as hdus:
            pixels, header = np.roll(hdus[0].data, 2, axis=1), hdus[0].header
        start = header["DATE-OBS"]
        day = int(start[8:10]) + int(night[-2:]) - int(source[8:10])
        header["DATE-OBS"] = f"{start[:8]}{day:02d}{start[10:-1]}7"
        (self.raw / night).mkdir(exist_ok=True)
        fits.writeto(self.raw / night / name, pixels, header)

    def other_files(self) -> set[str]:
        """Files that are neither results nor Snakemake's own notes."""
        return {
            name
            for name in (path.relative_to(self.folder).as_posix() for path in walk(self.folder))
            if not name.startswith(("results/", ".snakemake/"))
        }


PYTHON = [sys.executable, "-P", "-m"]

HANG_S = 3000.0
"""Time after which a command is taken to hang, on however busy a machine."""


def _without_project(job: str) -> str:
    return "choose reference" if job.startswith("choose reference") else job.replace(" tiny", "", 1)


def said(
    command: list[str],
    expected: int = 0,
    seconds: float = HANG_S,
    checkout: Path = ROOT,
    answer: str = "",
    prefix: Path = Path(sys.prefix),
) -> str:
    """Run a command, answer its question, check its status and return all that it printed."""
    done = subprocess.run(
        command,
        cwd=checkout,
        env=child_environment(checkout, prefix),
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
        errors="surrogateescape",
        timeout=seconds,
        input=answer,
    )
    assert done.returncode == expected, done.stdout
    return done.stdout


def kill_when(command: list[str], time_has_come: Callable[[], object]) -> None:
    """Start a command and kill it with all that it started, as soon as the time has come."""
    with subprocess.Popen(
        command,
        cwd=ROOT,
        env=child_environment(ROOT, Path(sys.prefix)),
        start_new_session=True,
        stderr=subprocess.DEVNULL,
    ) as process:
        deadline = time.monotonic() + HANG_S
        while not time_has_come() and time.monotonic() < deadline:
            assert process.poll() is None
            time.sleep(0.05)
        os.killpg(process.pid, signal.SIGKILL)


def walk(folder: Path) -> list[Path]:
    """All files below a folder, links to files included."""
    return sorted(path for path in folder.rglob("*") if not path.is_dir())


@pytest.fixture(scope="session")
def digests() -> Callable[[Path], dict[str, str]]:
    """Return a way to the SHA-256 of each file below a folder."""

    def of(folder: Path) -> dict[str, str]:
        return {
            path.relative_to(folder).as_posix(): hashlib.sha256(path.read_bytes()).hexdigest()
            for path in walk(folder)
        }

    return of


@pytest.fixture(scope="session")
def products(digests: Callable[[Path], dict[str, str]]) -> Callable[[Home], dict[str, str]]:
    """Return a way to the digests of all products of a home, with the text of its lock file."""
    parts = {"calibration", "measures", "registration", "nights", "channels", "sky"}
    parts |= {"picture", "field"} | {"subs.tsv", "seeing.tsv", "contact_sheet.png"}

    def of(home: Home) -> dict[str, str]:
        made = {n: d for n, d in digests(home.results).items() if n.split("/")[0] in parts}
        return made | {"lock": home.lock.read_text(encoding="utf-8")}

    return of


@pytest.fixture
def stored(
    bucket: Any, object_server: dict[str, str], tiny_raw: Path, monkeypatch: pytest.MonkeyPatch
) -> str:
    """URL of the tiny set in object storage, which runs can reach as well."""
    for path in tiny_raw.rglob("*.fits"):
        bucket.put(f"2026/raw/{path.relative_to(tiny_raw).as_posix()}", path.read_bytes())
    for name, value in object_server.items():
        monkeypatch.setenv(name, value)
    return f"{bucket.url}/2026/raw"


@pytest.fixture(scope="session")
def make_home(write_project: Callable[..., Path]) -> Callable[..., Home]:
    """Return a way to a new home with a project file and no results."""

    def make(folder: Path, **keys: Any) -> Home:
        home = Home(folder)
        home.raw.mkdir(parents=True)
        write_project(home.project, Path("../raw"), **keys)
        return home

    return make


@pytest.fixture(scope="session")
def finished(
    make_home: Callable[..., Home], tiny_raw: Path, made_once: Callable[..., Path]
) -> tuple[Home, str]:
    """A home in a folder with an awkward name, after its first run, and what the run said."""
    name = "my dad's {night} sky"

    def run(place: Path) -> None:
        home = make_home(place / name, title="Nébuleuse")
        shutil.copytree(tiny_raw, home.raw, dirs_exist_ok=True)
        said = home.run("--to", "all", "--cores", "2")
        (place / "said.txt").write_text(said, encoding="utf-8", errors="surrogateescape")

    place = made_once("finished", run)
    said = (place / "said.txt").read_text(encoding="utf-8", errors="surrogateescape")
    return Home(place / name), said


@pytest.fixture(scope="session")
def complete(
    make_home: Callable[..., Home],
    tiny_raw: Path,
    tiny_catalogue: Path,
    made_once: Callable[..., Path],
) -> Home:
    """A home in which every kind of product was made, with all that headers can tell."""
    channels = {
        "ha": {"filters": ["Ha"], "wavelength_nm": 656.3},
        "g": {"filters": ["G"]},
        "b": {"filters": ["B"], "flat": "none"},
    }

    def run(place: Path) -> None:
        home = make_home(
            place / "home",
            channels=channels,
            equipment="demo-bench",
            keep_subs=["calibrated", "registered"],
            sky={"catalogue": str(tiny_catalogue)},
            overrides={
                "integration": {"single_frame_cosmic_rays": "always", "by_night": "always"},
                "continuum": {"ha": {"minus": "g"}},
                "seeing": {"match": True},
            },
        )
        shutil.copytree(tiny_raw, home.raw, dirs_exist_ok=True)
        home.run("--to", "all", "--cores", "2")

    return Home(made_once("complete", run) / "home")


@pytest.fixture(scope="session")
def command_line() -> SimpleNamespace:
    """Ways to start a command: `said` runs it to its end, `kill_when` kills it."""
    return SimpleNamespace(said=said, kill_when=kill_when)


@pytest.fixture
def home(finished: tuple[Home, str], tmp_path: Path) -> Home:
    """A copy of the finished home, in another place, to be changed; its raw files are copies."""
    copy = tmp_path / "home"
    shutil.copytree(finished[0].folder, copy, symlinks=True)
    return Home(copy)


@pytest.fixture
def undisturbed(finished: tuple[Home, str]) -> dict[str, str]:
    """Digests of all products of the run that nobody disturbed."""
    return products_of(finished[0])


@pytest.fixture
def checkout(tmp_path: Path) -> Path:
    """A copy of the code in a folder of its own, with no projects, to be changed."""
    copy = tmp_path / "checkout"
    for name in ("scripts", "rules", "config", "envs"):
        leave = shutil.ignore_patterns("__pycache__", "machine.yaml", "demo*.yaml")
        shutil.copytree(ROOT / name, copy / name, ignore=leave)
    shutil.copyfile(ROOT / "Snakefile", copy / "Snakefile")
    (copy / "config" / "equipment").mkdir(exist_ok=True)
    return copy
