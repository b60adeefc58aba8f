import pytest

from platefiles.calibration.matching import match_calibration
from platefiles.config.load import load_project
from platefiles.plan.project_plan import ProjectPlan
from platefiles.raw_folders.frame_list import build_frame_list
from platefiles.raw_folders.scan import scan_folders


@pytest.fixture
def plan_of(tiny_raw, write_project, tmp_path):
    """Return a way to the plan of the tiny set, with further keys in its project file."""

    def make(raw=tiny_raw, **keys):
        loaded = load_project(write_project(tmp_path / "projects" / "tiny.yaml", raw, **keys), "")
        frames = build_frame_list(scan_folders(loaded.raw_folders, None, False), loaded)
        matched = match_calibration(frames, loaded)
        return ProjectPlan(loaded, tuple(frames), matched, "results/tiny")

    return make
