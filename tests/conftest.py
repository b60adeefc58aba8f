"""What all tests share: where the code is, and where real frames are."""

import fcntl
import os
import pickle
import shutil
import socket
import subprocess
import sys
import time
import uuid
from collections.abc import Callable, Generator, Iterator
from contextlib import suppress
from functools import cache
from importlib.util import find_spec
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
import yaml

ROOT = Path(__file__).resolve().parent.parent
SCRIPTS = ROOT / "scripts"
TINY_CHANNELS = {"ha": "Ha", "g": "G", "b": "B"}

# Packages and programs that some fixtures need; see "Tests" in DEVELOPERS.md.
NEEDED: dict[str, tuple[tuple[str, ...], tuple[str, ...]]] = {
    "object_server": (("botocore", "moto", "flask_cors"), ()),
    "slurm_options": (("snakemake_executor_plugin_slurm",), ()),
    "slurm": (
        ("snakemake_executor_plugin_slurm",),
        (
            "munged",
            "slurmctld",
            "slurmd",
            "sbatch",
            "scancel",
            "scontrol",
            "sinfo",
            "squeue",
            "srun",
        ),
    ),
}
SYSTEM_PATH = os.pathsep.join((os.environ.get("PATH", os.defpath), "/usr/sbin"))

sys.path.insert(0, str(SCRIPTS))
sys.path.append(str(ROOT / "tests"))  # where tests find what they share
# Processes that tests start find the code in the same way.
os.environ["PYTHONPATH"] = str(SCRIPTS)
# Lines are folded only where a test wants them to be; readline, which pytest imports, sets COLUMNS
# for the processes that tests start, unknown to `os.environ`.
os.environ.pop("COLUMNS", None)
os.unsetenv("COLUMNS")


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport() -> Generator[None, pytest.TestReport, pytest.TestReport]:
    """Let a test print names that are no Unicode: reports travel between processes as UTF-8."""
    report = yield
    report.sections = [
        tuple(part.encode("utf-8", "backslashreplace").decode("utf-8") for part in section)
        for section in report.sections
    ]
    return report


@pytest.fixture(scope="session")
def real_folder() -> Path:
    """Folder with real frames, or a skip where there is none.

    It is named by the environment variable PLATELOG_REAL; by default it is ``shared/real`` beside
    the checkout.
    """
    folder = Path(os.environ.get("PLATELOG_REAL") or ROOT.parent / "shared" / "real")
    if not folder.is_dir():
        pytest.skip(f"no real frames in {folder}; PLATELOG_REAL may name another folder")
    return folder


@pytest.fixture(scope="session")
def drawn_series(made_once: Callable[..., Path]) -> Callable[[str], Any]:
    """Return a way to a series of frames in the style of real ones, by name, drawn once."""
    from drawn_series import draw_series

    @cache
    def series(name: str) -> Any:
        def draw(place: Path) -> None:
            told = pickle.dumps(draw_series(name, place / name))
            (place / "series.pickle").write_bytes(told)

        return pickle.loads((made_once(name, draw) / "series.pickle").read_bytes())

    return series


@pytest.fixture(scope="session", params=["drawn", pytest.param("real", marks=pytest.mark.real)])
def raw_series(request: pytest.FixtureRequest) -> Callable[[str], Any]:
    """Return a way to a series by name: drawn, and real where there are real frames."""
    if request.param == "drawn":
        return request.getfixturevalue("drawn_series")
    from drawn_series import real_series

    folder = request.getfixturevalue("real_folder")

    def real(name: str) -> Any:
        series = real_series(name, folder)
        if not any(series.folder.glob("*.f*")):
            pytest.skip(f"no real frames in {series.folder}")
        return series

    return real


@pytest.fixture(autouse=True)
def _one_job() -> Iterator[None]:
    """Let a test be like a job: what it makes is not provisional for what another test met."""
    from platefiles.core.provisional import new_job

    with new_job():
        yield


@pytest.fixture(scope="session")
def made_once(
    request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory
) -> Callable[[str, Callable[[Path], object]], Path]:
    """Return a way to a folder that is filled once for all processes of a test run."""
    base = tmp_path_factory.getbasetemp()
    base = base.parent if hasattr(request.config, "workerinput") else base

    def made(name: str, make: Callable[[Path], object]) -> Path:
        place = base / f"once-{name}"
        with open(base / f"once-{name}.lock", "w", encoding="utf-8") as lock:
            fcntl.flock(lock, fcntl.LOCK_EX)
            whole = base / f"once-{name}.whole"
            if not whole.exists():
                shutil.rmtree(place, ignore_errors=True)
                place.mkdir()
                make(place)
                whole.touch()
        return place

    return made


@pytest.fixture(scope="session")
def tiny_raw(made_once: Callable[[str, Callable[[Path], object]], Path]) -> Path:
    """Folder with the tiny simulated set, drawn once; who changes frames works on a copy."""
    from draw_demo import draw_raw

    def draw(place: Path) -> None:
        draw_raw("tiny", place / "raw")
        for path in (place / "raw").rglob("*.fits"):
            path.chmod(0o444)

    return made_once("tiny", draw) / "raw"


@pytest.fixture(scope="session")
def tiny_catalogue(tiny_raw: Path, made_once: Callable[..., Path]) -> Path:
    """Catalogue of the stars of the tiny set, as a user would give it; the truth is its source."""
    from astropy.table import Table

    stars = Table.read(tiny_raw / "truth" / "stars.ecsv")
    stars = stars[~stars["variable"]]
    lines = ["source_id,ra,dec,mag_V"]
    lines += [f"{s['id']},{s['ra']:.8f},{s['dec']:.8f},{s['magnitude']:.4f}" for s in stars]
    text = "\n".join(lines) + "\n"
    place = made_once("catalogue", lambda one: (one / "stars.csv").write_text(text, "utf-8"))
    return place / "stars.csv"


@pytest.fixture(scope="session")
def restamp() -> Callable[[Path], None]:
    """Give a product that a test has changed the digests of what it holds now."""
    from astropy.io import fits

    from platefiles.fits.checksums import add_sums, reserve

    def stamp(path: Path) -> None:
        with fits.open(path, mode="update") as hdus:
            for hdu in hdus:
                reserve(hdu.header)
        with open(path, "r+b") as file:
            add_sums(file)

    return stamp


@pytest.fixture(scope="session")
def write_project() -> Callable[..., Path]:
    """Write a project file for the tiny set, with further keys, and return its path."""

    def write(path: Path, raw: Path, **keys: Any) -> Path:
        channels = {name: {"filters": [filters]} for name, filters in TINY_CHANNELS.items()}
        project = {"title": "Tiny", "raw": [str(raw)], "recipe": "ha-in-red", "channels": channels}
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(yaml.safe_dump(project | keys, sort_keys=False), encoding="utf-8")
        return path

    return write


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Skip what needs a cluster or object storage that is not installed here.

    Where the environment variable PLATELOG_CLUSTER_TESTS is ``required``, nothing is skipped. Tests
    of a cluster come first: they wait for minutes while those of other files use the processors.
    """
    items.sort(key=lambda item: "test_slurm" not in item.path.name)
    if os.environ.get("PLATELOG_CLUSTER_TESTS") == "required":
        return
    for item in items:
        for fixture, (packages, programs) in NEEDED.items():
            if fixture in getattr(item, "fixturenames", ()):
                missing = [name for name in packages if find_spec(name) is None]
                missing += [name for name in programs if not shutil.which(name, path=SYSTEM_PATH)]
                if missing:
                    item.add_marker(pytest.mark.skip(f"{missing[0]} is missing: see DEVELOPERS.md"))


@pytest.fixture(scope="session")
def object_server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[dict[str, str]]:
    """AWS variables for a server on loopback that speaks S3.

    The key is made up; tests look for it where it must not be.
    """
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    nowhere = str(tmp_path_factory.mktemp("aws") / "none")
    variables = {
        "AWS_ENDPOINT_URL": f"http://127.0.0.1:{port}",
        "AWS_ACCESS_KEY_ID": "AKIA0MADE0UP0KEY0000",
        "AWS_SECRET_ACCESS_KEY": "made-up-secret-that-must-not-be-seen",
        "AWS_CONFIG_FILE": nowhere,
        "AWS_SHARED_CREDENTIALS_FILE": nowhere,
        "AWS_EC2_METADATA_DISABLED": "true",
    }
    words = [sys.executable, "-P", "-m", "moto.server", "-H", "127.0.0.1", "-p", str(port)]
    with subprocess.Popen(words, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL) as server:
        for _ in range(3000):
            with suppress(OSError), socket.create_connection(("127.0.0.1", port), 1):
                break
            assert server.poll() is None
            time.sleep(0.1)
        yield variables
        server.terminate()


@pytest.fixture
def bucket(object_server: dict[str, str], monkeypatch: pytest.MonkeyPatch) -> Iterator[Any]:
    """An empty bucket for a test: ``name``, ``url``, ``client``, ``put``; the variables are set."""
    from platefiles.core.object_store import storage_client

    for name in [name for name in os.environ if name.startswith("AWS_")]:
        monkeypatch.delenv(name)
    for name, value in object_server.items():
        monkeypatch.setenv(name, value)
    storage_client.cache_clear()
    client = storage_client()
    bucket = f"nights-{uuid.uuid4()}"
    client.create_bucket(Bucket=bucket)

    def put(key: str, content: bytes) -> None:
        client.put_object(Bucket=bucket, Key=key, Body=content)

    yield SimpleNamespace(name=bucket, url=f"s3://{bucket}", client=client, put=put)
    storage_client.cache_clear()
