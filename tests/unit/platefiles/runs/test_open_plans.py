import os

import pytest

from platecli.execution.engine import command
from platefiles.core.errors import UserError
from platefiles.jobs.job_log import job_log
from platefiles.plan.calibration_jobs import measure_stars_job
from platefiles.plan.paths import grid_log
from platefiles.rule_inputs import sets
from platefiles.runs.open_plans import is_dry_run, open_plans, wants_every_job

NIGHTS = ["2026-03-23", "2026-03-24"]


@pytest.fixture
def full(tmp_path):
    """A file that no byte can be written to."""
    if not os.path.exists("/dev/full"):
        pytest.skip("no /dev/full, as Linux has it")
    return "/dev/full"


def _files(folder):
    return sorted(p.relative_to(folder).as_posix() for p in folder.rglob("*"))


def test_run_writes_sheet_links_and_cache(opened, tmp_path, wild):
    """Opening the plans writes list of frames, cache of the scan, notes and links of jobs."""
    plans = opened()
    results = tmp_path / "work" / "results" / "tiny"
    made = {"frames.tsv", ".scan.json", ".plans", ".products", "links"}
    assert {path.name for path in results.iterdir()} == made
    (frame, *_) = plans.by_name["tiny"].lights("g")
    (link,) = plans.links(sets.frame_of_sub)(wild(sub=frame.id))
    assert os.readlink(link) == frame.path
    assert link == f"results/tiny/links/{frame.id}.fits"


def test_full_disk_at_the_start_is_a_sentence(opened, tmp_path, full):
    """Where there is no room for the mark that tells what is stale, its file is named."""
    (tmp_path / "work" / "results").mkdir()
    (tmp_path / "work" / "results" / ".newer").symlink_to(full)
    with pytest.raises(
        UserError, match=r"results/\.newer: No space left on device; correct it and"
    ):
        opened()


@pytest.mark.parametrize("words", [["-n"], ["--dry-run"], ["--dryrun"], ["--cores", "1", "-pn"]])
def test_dry_run_writes_nothing(opened, tmp_path, words, wild):
    """A dry run leaves the working directory empty, and asks for no link that is not there."""
    plans = opened(*words)
    assert _files(tmp_path / "work") == []
    assert plans.links(sets.frames_of_night)(wild(channel="g", night=NIGHTS[0])) == []


@pytest.mark.parametrize("words", [["--cores", "2"], ["--nolock"], ["-k"], ["--notemp", "all"]])
def test_other_options_are_no_dry_run(words):
    """Options that merely begin alike do not make a dry run."""
    assert not is_dry_run(words)


def test_job_on_another_machine_reads_the_sheet(opened, tiny_raw, tmp_path, wild):
    """A process that is not the main one reads the sheet, writes nothing and has the same jobs."""
    main = opened()
    before = {path: os.lstat(path).st_mtime_ns for path in (tmp_path / "work").rglob("*")}
    other = opened(main_process=False)
    assert {path: os.lstat(path).st_mtime_ns for path in (tmp_path / "work").rglob("*")} == before
    wildcards = wild(channel="g", night=NIGHTS[0])
    jobs = [plans.job(measure_stars_job, "channel", "night")(wildcards) for plans in (main, other)]
    assert jobs[0] == jobs[1]
    measures = "results/{project}/measures/{channel}/{night}.fits"
    taken = [plans.input(sets.masters_of_night, of=measures) for plans in (main, other)]
    assert taken[0](wildcards) == taken[1](wildcards) != []


def test_lost_reference_is_a_sentence(opened, tmp_path, pin):
    """A reference that is not among the lights any more is named, with the two ways out."""
    pin(opened())
    said = (
        "tiny.lock.yaml: the sub 'g_01_3529c2ae' that the grid is pinned to is excluded in "
        "tiny.yaml; let the project use it again, or delete tiny.lock.yaml to choose again"
    )
    with pytest.raises(UserError, match=said):
        opened(exclude=["2026-03-23/g-01.fits"])
    lock = tmp_path / "projects" / "tiny.lock.yaml"
    lock.write_text(lock.read_text().replace("g_01_3529c2ae", "g_09_00000000"))
    said = (
        "the sub 'g_09_00000000' that the grid is pinned to is not among the lights any more; "
        "restore it, or delete tiny.lock.yaml to choose again"
    )
    with pytest.raises(UserError, match=said):
        opened()


def test_a_grid_of_another_size_is_a_sentence(opened, tmp_path, pin):
    """A lock file of another camera or binning is refused before anything runs."""
    pin(opened())
    lock = tmp_path / "projects" / "tiny.lock.yaml"
    width = int(lock.read_text().split("width_px: ")[1].split()[0])
    lock.write_text(lock.read_text().replace(f"width_px: {width}", f"width_px: {width // 2}"))
    said = rf"lock.yaml:6: grid.width_px: the grid has {width // 2} pixels and the sub .* {width};"
    with pytest.raises(UserError, match=said):
        opened()


def test_lost_photometric_reference_is_a_sentence(opened, pin):
    """So is the reference of brightness of a channel."""
    plans = opened()
    pin(plans, reference=plans.by_name["tiny"].lights("g")[1].id)
    with pytest.raises(UserError, match="that the brightness of channel 'g' is pinned to is excl"):
        opened(exclude=["2026-03-23/g-01.fits"])


def test_channel_that_was_taken_out_does_not_hold_up_the_others(opened, pin):
    """The lock may still name the reference of a channel that the project has no more."""
    pin(opened())
    channels = {"ha": {"filters": ["Ha"]}, "g": {"filters": ["G"]}}
    mapping = {"red": {"ha": 1}, "green": {"g": 1}, "blue": {"g": 1}, "luminance": None}
    assert opened(channels=channels, overrides={"mapping": mapping}).unpinned == []


def test_reference_against_the_lock_is_a_sentence(opened, pin):
    """A reference in the project file that is not the pinned one is not passed over in silence."""
    pin(opened())
    assert opened(reference="2026-03-23/g-01.fits").unpinned == []
    assert opened(reference="g-01.fits").unpinned == []
    said = "reference: g-02.fits: the grid is pinned to 2026-03-23/g-01.fits already; delete"
    with pytest.raises(UserError, match=said):
        opened(reference="g-02.fits")


def test_unreadable_lock_is_a_sentence(opened, tmp_path):
    """A lock file that a run did not write is refused."""
    opened()
    (tmp_path / "projects" / "tiny.lock.yaml").write_text("grid: nowhere\n")
    with pytest.raises(UserError, match="is not a readable lock file"):
        opened()


def test_half_a_lock_is_a_sentence(opened, pin):
    """What the missing half pinned is not chosen anew unasked; the whole file is taken again."""
    path = pin(opened())
    content = path.read_bytes()
    log = grid_log(opened().by_name["tiny"].paths)
    with job_log(os.path.abspath(log), "{}", path):
        pass
    opened()
    path.write_bytes(content[: content.rindex(b"  g:")])
    told = (
        f"has {path.stat().st_size} of the {len(content)} bytes that it was written with; restore"
    )
    with pytest.raises(UserError, match=told):
        opened()
    path.write_bytes(content)
    opened()


def test_problems_of_all_projects_are_told_at_once(write_project, tiny_raw, tmp_path, monkeypatch):
    """Two faulty projects give a line each."""
    monkeypatch.chdir(tmp_path)
    one = write_project(tmp_path / "projects" / "one.yaml", tmp_path / "nowhere")
    two = write_project(tmp_path / "projects" / "two.yaml", tiny_raw, recipe="no-such")
    with pytest.raises(UserError) as caught:
        open_plans({"projects": f"{one},{two}"}, tmp_path, True, [])
    first, second = str(caught.value).splitlines()
    assert "one.yaml:3: raw: no such folder" in first
    assert "two.yaml:4: recipe: no recipe is called 'no-such'" in second


def test_project_with_a_problem_does_not_hold_up_the_others(
    write_project, tiny_raw, tmp_path, monkeypatch, capsys
):
    """Of two projects the good one is opened; what is wrong with the other is said."""
    monkeypatch.chdir(tmp_path)
    one = write_project(tmp_path / "projects" / "one.yaml", tmp_path / "nowhere")
    two = write_project(tmp_path / "projects" / "two.yaml", tiny_raw)
    plans = open_plans({"projects": f"{one},{two}"}, tmp_path, True, [])
    assert list(plans.by_name) == ["two"]
    assert "one.yaml:3: raw: no such folder" in capsys.readouterr().err


def test_without_names_all_projects_are_taken(write_project, tiny_raw, tmp_path, monkeypatch):
    """The folder of projects gives the names; locks, and projects to be named, are left away."""
    monkeypatch.chdir(tmp_path)
    for name in ("one", "two"):
        write_project(tmp_path / "config" / "projects" / f"{name}.yaml", tiny_raw)
    late = tmp_path / "config" / "projects" / "late.yaml"
    write_project(late, tiny_raw, only_if_named=True)
    (tmp_path / "config" / "projects" / "gone.lock.yaml").write_text("")
    plans = open_plans({}, tmp_path, True, [])
    assert list(plans.by_name) == ["one", "two"]
    assert [plan.results for plan in plans] == ["results/one", "results/two"]
    assert list(open_plans({"projects": "late"}, tmp_path, True, []).by_name) == ["late"]


@pytest.mark.parametrize(
    "words", [["-F"], ["-kR", "x"], ["--forcerun", "x"], ["--touch"], ["--rulegraph"], ["-pt"]]
)
def test_options_on_jobs_that_are_done_need_every_job(words):
    """Forced jobs and drawings of the graph concern products that are up to date."""
    assert wants_every_job(["--cores", "2", *words, "--", "all"])


def test_a_run_of_the_verb_needs_no_job_that_is_done(tmp_path):
    """Neither the command of the verb nor that for a cluster asks for such jobs."""
    words = command(["m31"], ["picture"], tmp_path, 4, False, (), 8.0)
    assert not wants_every_job(words)
    profiles = ["--profile", "config/profile", "--workflow-profile", "config/profile-slurm"]
    assert not wants_every_job([*profiles, "--slurm-no-account", "--config", "projects=x"])
