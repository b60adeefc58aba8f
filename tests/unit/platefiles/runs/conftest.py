import pytest
from snakemake.iocontainers import Wildcards

from platefiles.config.lock_file import Lock, Part, lock_text
from platefiles.runs.open_plans import open_plans


@pytest.fixture
def opened(tiny_raw, write_project, tmp_path, monkeypatch):
    """Return a way to open the plans of the tiny set in an empty working directory."""
    work = tmp_path / "work"
    work.mkdir()
    monkeypatch.chdir(work)
    monkeypatch.setattr("platefiles.workflow.open_project.SETTLE_S", 0.0)

    def open_(*arguments, main_process=True, **keys):
        path = write_project(tmp_path / "projects" / "tiny.yaml", tiny_raw, **keys)
        return open_plans({"projects": str(path)}, tmp_path, main_process, arguments)

    return open_


@pytest.fixture
def wild():
    """Return a way to the wildcards of a job of the tiny set."""

    def make(**names):
        return Wildcards(fromdict={"project": "tiny", **names})

    return make


@pytest.fixture
def pin(tmp_path):
    """Return a way to pin the grid of the tiny set, and reference and crop of some channels."""

    def write(plans, channels=("ha", "g", "b"), reference=None, cropped=True):
        plan = plans.by_name["tiny"]
        photometry = {channel: plan.lights(channel)[0].id for channel in channels}
        frame = plan.by_id[reference or photometry["g"]]
        crop = {channel: Part((3, 318), (1, 239)) for channel in channels} if cropped else None
        lock = Lock(frame.id, frame.name, 320, 240, photometry, crop)
        path = tmp_path / "projects" / "tiny.lock.yaml"
        path.write_text(lock_text(lock))
        return path

    return write
