"""The lock file belongs to the user; what a run has noted of it is the run's to mend."""

import os
from pathlib import Path

import pytest

from platefiles.audit.damage import mark_damaged
from platefiles.audit.findings import CHANGED
from platefiles.audit.verification import verify
from platefiles.config.lock_file import NEW_GRID_LINE, REMEDY, Lock, lock_text, pinned_words
from platefiles.core.hashing import file_sha256
from platefiles.core.provisional import hold_back
from platefiles.digests.digest_sheet import write_digest_sheet
from platefiles.digests.project_digests import write_digests
from platefiles.jobs.job_log import job_log, log
from platefiles.plan.paths import grid_log
from platefiles.provenance.job_notes import note_path
from platefiles.runs.open_plans import open_plans
from platefiles.workflow.reference_notes import lock_doubt


@pytest.fixture(params=["work", "elsewhere"])
def plan(request, opened):
    """A plan whose grid was chosen; the lock file lies in the working directory or outside."""
    plan = opened(request.param)
    pin(plan)
    write_digests(plan, ())
    return plan


@pytest.fixture
def opened(tiny_raw, write_project, tmp_path, monkeypatch):
    """Return a way to open the plan of the tiny set."""
    work = tmp_path / "work"
    work.mkdir()
    monkeypatch.chdir(work)
    monkeypatch.setattr("platefiles.workflow.open_project.SETTLE_S", 0.0)

    def open_(folder="work"):
        project = write_project(tmp_path / folder / "projects" / "tiny.yaml", tiny_raw)
        return open_plans({"projects": str(project)}, tmp_path, True, ()).by_name["tiny"]

    return open_


def pin(plan, chosen=True, reason=""):
    """Choose the grid as its job does, anew or not, and perhaps while a frame was changing."""
    pinned = {channel: plan.lights(channel)[0] for channel in ("ha", "g", "b")}
    first = pinned["ha"]
    photometry = {name: one.id for name, one in pinned.items()}
    lock = Lock(first.id, first.name, 320, 240, photometry, {})
    place = os.path.abspath(grid_log(plan.paths))  # a job would hold a lock
    with job_log(place, "{}", plan.paths.lock):
        if chosen:
            log.info(NEW_GRID_LINE)
        if reason:
            hold_back(reason)
        log.info("%s", pinned_words(lock))
        Path(plan.paths.lock).write_text(lock_text(lock))


def flip(path, at=0.5):
    """Change the lowest bit of a byte at a share of the length of a file."""
    content = bytearray(Path(path).read_bytes())
    content[int(at * len(content))] ^= 1
    Path(path).write_bytes(content)


def changed():
    """Return why files were found changed, by their real paths."""
    found = verify(["results/tiny"]).findings
    return {os.path.realpath(f.name): f.why for f in found if f.state == CHANGED}


def test_a_lock_file_that_was_changed_is_told_and_left(plan):
    """Nobody but its owner knows whether that was meant; the sentence has both remedies."""
    assert (lock_doubt(plan), changed()) == ("", {})
    flip(plan.paths.lock, at=0.1)
    content = Path(plan.paths.lock).read_bytes()
    assert lock_doubt(plan).startswith(f"{plan.paths.lock}: was changed after the grid")
    assert lock_doubt(plan).endswith(REMEDY)
    why = f"its SHA-256 differs from digests.sha256; {REMEDY}"
    assert changed() == {os.path.realpath(plan.paths.lock): why}
    assert mark_damaged(plan) == []
    assert Path(plan.paths.lock).read_bytes() == content


def test_what_no_job_makes_again_is_told(plan):
    """A log of an earlier plan is in the sheet; where it was changed, its owner decides."""
    old = Path(plan.results, "logs", "integrate", "oiii.log")
    with job_log(old, "{}", plan.paths.lock):
        pass
    write_digest_sheet(plan.results, {"logs/integrate/oiii.log": file_sha256(old)})
    assert mark_damaged(plan) == []
    flip(old)
    assert mark_damaged(plan) == [str(old)]
    old.unlink()
    assert mark_damaged(plan) == []


@pytest.mark.parametrize("victims", [["log"], ["note"], ["log", "note"]])
def test_damaged_notes_of_the_grid_are_written_again(plan, victims):
    """No job would write them: the grid is chosen once. They say what they said before."""
    log = Path(grid_log(plan.paths))
    places = {"log": log, "note": note_path(log)}
    before = {name: path.read_text() for name, path in places.items()}
    for victim in victims:
        flip(places[victim])
    assert {os.path.realpath(places[victim]) for victim in victims} >= changed().keys() != set()
    mark_damaged(plan)
    write_digests(plan, ())
    assert changed() == {}
    if len(victims) == 1:
        assert {name: path.read_text() for name, path in places.items()} == before


def test_notes_are_not_made_up_for_a_damaged_lock_file(plan):
    """Where lock file and log were changed, the log waits until the lock file is put back."""
    log, content = (
        grid_log(plan.paths),
        Path(plan.paths.lock).read_bytes(),
    )
    flip(log)
    flip(plan.paths.lock, at=0.1)
    mark_damaged(plan)
    write_digests(plan, ())
    assert changed().keys() == {os.path.realpath(path) for path in (log, plan.paths.lock)}
    Path(plan.paths.lock).write_bytes(content)
    mark_damaged(plan)
    write_digests(plan, ())
    assert changed() == {}


def test_a_grid_that_was_chosen_while_a_frame_was_changing_is_chosen_again(opened):
    """The lock file is provisional, like all else that the run made; the next run has none."""
    plan = opened()
    pin(plan, reason="a frame changed")
    again = opened()
    assert (again.pinned, os.path.exists(plan.paths.lock)) == (None, False)
    pin(plan)
    assert opened().pinned is not None


@pytest.mark.parametrize("case", ["pinned before", "changed since"])
def test_what_was_pinned_otherwise_stays(opened, case):
    """Neither a grid of an earlier run nor what somebody wrote is taken back."""
    plan = opened()
    pin(plan, chosen=case != "pinned before", reason="a frame changed")
    if case == "changed since":
        with open(plan.paths.lock, "a") as stream:
            stream.write("# mine\n")
    content = Path(plan.paths.lock).read_bytes()
    assert opened().pinned is not None
    assert Path(plan.paths.lock).read_bytes() == content
