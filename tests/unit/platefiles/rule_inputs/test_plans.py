import json
import os
import re
from dataclasses import replace

import pytest
from snakemake.iocontainers import Wildcards

from platecli.arguments.naming import WrongCommand
from platecli.arguments.stage import check_file
from platecli.execution.dry_run import dry_run_lines, is_planned
from platecli.text.outlook import look_ahead
from platefiles.config.lock_file import Lock, lock_text
from platefiles.core.errors import UserError
from platefiles.jobs.job_log import job_log
from platefiles.plan.calibration_jobs import measure_job
from platefiles.plan.channel_jobs import integrate_job
from platefiles.plan.field_jobs import overlay_job
from platefiles.plan.grid_jobs import solution_job
from platefiles.plan.paths import job_log_path
from platefiles.plan.project_plan import ProjectPlan
from platefiles.rule_inputs import sets
from platefiles.rule_inputs.open_plans import is_dry_run, open_plans
from platefiles.rule_inputs.plans import Plans
from platefiles.workflow.graph import products_of
from platefiles.workflow.makeable import can_make

NIGHTS = ["2026-03-23", "2026-03-24"]


@pytest.fixture
def full(tmp_path):
    """A file that no byte can be written to."""
    if not os.path.exists("/dev/full"):
        pytest.skip("no /dev/full, as Linux has it")
    return "/dev/full"


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


def _wild(**names):
    return Wildcards(fromdict={"project": "tiny", **names})


def _pin(plans, tmp_path, channels=("ha", "g", "b"), reference=None):
    plan = plans.by_name["tiny"]
    photometry = {channel: plan.lights(channel)[0].id for channel in channels}
    frame = plan.by_id[reference or photometry["g"]]
    lock = Lock(frame.id, frame.name, 320, 240, photometry)
    path = tmp_path / "projects" / "tiny.lock.yaml"
    path.write_text(lock_text(lock))
    return path


def _files(folder):
    return sorted(p.relative_to(folder).as_posix() for p in folder.rglob("*"))


def test_run_writes_sheet_links_and_cache(opened, tmp_path):
    """Opening the plans makes frame sheet, cache of the scan, note of the plan and links alone."""
    plans = opened()
    results = tmp_path / "work" / "results" / "tiny"
    made = {"frames.tsv", ".scan.json", ".products", "links"}
    assert {path.name for path in results.iterdir()} == made
    (frame, *_) = plans.by_name["tiny"].lights("g")
    (link,) = plans.links(sets.frame_of_sub)(_wild(sub=frame.id))
    assert os.readlink(link) == frame.path
    assert link == f"results/tiny/links/{frame.id}.fits"


def test_full_disk_at_the_start_is_a_sentence(opened, tmp_path, full):
    """Where there is no room for the mark that tells what is stale, its file is named."""
    (tmp_path / "work" / "results").mkdir()
    (tmp_path / "work" / "results" / ".newer").symlink_to(full)
    with pytest.raises(UserError, match=r"results/\.newer: No space left on device; mend it and"):
        opened()


@pytest.mark.parametrize("words", [["-n"], ["--dry-run"], ["--dryrun"], ["--cores", "1", "-pn"]])
def test_dry_run_writes_nothing(opened, tmp_path, words):
    """A dry run leaves the working directory empty, and asks for no link that is not there."""
    plans = opened(*words)
    assert _files(tmp_path / "work") == []
    assert plans.links(sets.frames_of_night)(_wild(channel="g", night=NIGHTS[0])) == []


@pytest.mark.parametrize("words", [["--cores", "2"], ["--nolock"], ["-k"], ["--notemp", "all"]])
def test_other_options_are_no_dry_run(words):
    """Options that merely begin alike do not make a dry run."""
    assert not is_dry_run(words)


def test_job_on_another_machine_reads_the_sheet(opened, tiny_raw, tmp_path):
    """A process that is not the main one reads the sheet, writes nothing and has the same jobs."""
    main = opened()
    before = {path: os.lstat(path).st_mtime_ns for path in (tmp_path / "work").rglob("*")}
    other = opened(main_process=False)
    assert {path: os.lstat(path).st_mtime_ns for path in (tmp_path / "work").rglob("*")} == before
    wildcards = _wild(channel="g", night=NIGHTS[0])
    jobs = [plans.job(measure_job, "channel", "night")(wildcards) for plans in (main, other)]
    assert jobs[0] == jobs[1]
    measures = "results/{project}/measures/{channel}/{night}.fits"
    taken = [plans.input(sets.masters_of_night, of=measures) for plans in (main, other)]
    assert taken[0](wildcards) == taken[1](wildcards) != []


def test_targets_are_all_channels_and_pictures(opened):
    """The channels, the table of subs and the pictures of the project are the targets."""
    plans = opened()
    assert plans.targets("channels") == [
        *(f"results/tiny/channels/{channel}.fits" for channel in ("g", "b", "ha")),
        "results/tiny/subs.tsv",
    ]
    pictures = [f"results/tiny/picture/ha-in-red.{ending}" for ending in ("png", "tif", "jpg")]
    others = [f"results/tiny/{name}" for name in ("contact_sheet.png", "subs.tsv", "seeing.tsv")]
    assert plans.targets("picture") == [*pictures, *others]


def test_field_is_a_target_and_part_of_all(opened):
    """What is known of the field is made by `field` and by `all`, not by `picture` alone."""
    plans = opened()
    products = ("solution", "zero_points", "depth", "sources")
    names = [f"{name}.fits" for name in products]
    names += [f"sources.{ending}" for ending in ("ecsv", "csv", "vot", "reg")]
    names += ["annotated.png", "annotated.svg"]
    found = [f"results/tiny/field/{name}" for name in names]
    assert plans.targets("field") == found
    assert set(found) <= set(plans.targets("all"))
    assert not set(found) & set(plans.targets("picture"))


def test_the_grid_is_placed_by_its_own_sub(opened, tmp_path):
    """Placing reads the frame, the measures and the lock file of the grid, and no other sub."""
    _pin(opened(), tmp_path)
    plans = opened()
    wildcards = _wild()
    assert plans.grid.frame(wildcards) == ["results/tiny/links/g_01_3529c2ae.fits"]
    assert plans.grid.measures(wildcards) == ["results/tiny/measures/g/2026-03-23.fits"]
    assert plans.star_catalogue(wildcards) == []
    job = json.loads(plans.job(solution_job)(wildcards))
    assert job["sub"]["name"] == "2026-03-23/g-01.fits"
    assert job["catalogue"].startswith("Tycho-2 ")
    more = opened(exclude=["2026-03-23/g-03.fits"])
    assert more.job(solution_job)(wildcards) == plans.job(solution_job)(wildcards)
    other = opened(sky={"scale_arcsec": 2.0})
    assert other.job(solution_job)(wildcards) != plans.job(solution_job)(wildcards)


def test_kept_subs_are_targets(opened):
    """`keep_subs` makes each sub of each channel a target, in each of the forms."""
    plans = opened(keep_subs=["calibrated", "registered"])
    kept = [path for path in plans.targets("channels") if "ated/" in path or "ered/" in path]
    assert len(kept) == len(set(kept)) == 2 * 24
    assert set(kept) <= set(plans.targets("all"))
    assert sum("/registered/" in path for path in kept) == 24


def test_grid_is_chosen_once(opened, tmp_path):
    """Without a lock the grid is to be chosen; with one it is not."""
    plans = opened()
    assert plans.grid.unpinned == ["tiny"]
    assert plans.grid.lock_for_channel(_wild(channel="g")) == f"{tmp_path}/projects/tiny.lock.yaml"
    assert re.fullmatch(plans.grid.unpinned_locks, f"{tmp_path}/projects/tiny")
    assert (
        len(plans.grid.candidates(Wildcards(fromdict={"lock": f"{tmp_path}/projects/tiny"}))) == 6
    )
    _pin(plans, tmp_path)
    assert opened().grid.unpinned == []


def test_lock_inside_the_working_directory_is_relative(opened, tmp_path, monkeypatch):
    """So a project that moves with its results is not made anew."""
    opened()
    monkeypatch.chdir(tmp_path)
    assert opened().grid.lock_for_channel(_wild(channel="g")) == "projects/tiny.lock.yaml"


def test_registration_asks_for_the_night_of_the_reference(opened, tmp_path):
    """Registering reads the reference's night, and waits for the choice where there is none."""
    plans = opened()
    asked = []

    class Choice:
        @staticmethod
        def get(lock):
            asked.append(lock)
            raise LookupError(lock)

    plans.grid.wait_for(Choice)
    with pytest.raises(LookupError):
        plans.grid.measures_for_channel(_wild(channel="ha"))
    assert asked == [f"{tmp_path}/projects/tiny"]
    _pin(plans, tmp_path)
    assert opened().grid.measures_for_channel(_wild(channel="ha")) == [
        "results/tiny/measures/g/2026-03-23.fits"
    ]


def test_new_channel_has_no_reference_yet(opened, tmp_path):
    """A channel that came later is unpinned, though the grid is pinned."""
    _pin(opened(), tmp_path, channels=("g", "b"))
    assert opened().grid.unpinned == ["tiny"]


def test_lost_reference_is_a_sentence(opened, tmp_path):
    """A reference that is not among the lights any more is named, with the two ways out."""
    _pin(opened(), tmp_path)
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
        "put it back, or delete tiny.lock.yaml to choose again"
    )
    with pytest.raises(UserError, match=said):
        opened()


def test_a_grid_of_another_size_is_a_sentence(opened, tmp_path):
    """A lock file of another camera or binning is refused before anything runs."""
    _pin(opened(), tmp_path)
    lock = tmp_path / "projects" / "tiny.lock.yaml"
    width = int(lock.read_text().split("width_px: ")[1].split()[0])
    lock.write_text(lock.read_text().replace(f"width_px: {width}", f"width_px: {width // 2}"))
    said = rf"lock.yaml:6: grid.width_px: the grid has {width // 2} pixels and the sub .* {width};"
    with pytest.raises(UserError, match=said):
        opened()


def test_lost_photometric_reference_is_a_sentence(opened, tmp_path):
    """So is the reference of brightness of a channel."""
    plans = opened()
    _pin(plans, tmp_path, reference=plans.by_name["tiny"].lights("g")[1].id)
    with pytest.raises(UserError, match="that the brightness of channel 'g' is pinned to is excl"):
        opened(exclude=["2026-03-23/g-01.fits"])


def test_channel_that_was_taken_out_does_not_hold_up_the_others(opened, tmp_path):
    """The lock may still name the reference of a channel that the project has no more."""
    _pin(opened(), tmp_path)
    channels = {"ha": {"filters": ["Ha"]}, "g": {"filters": ["G"]}}
    mapping = {"red": {"ha": 1}, "green": {"g": 1}, "blue": {"g": 1}, "luminance": None}
    assert opened(channels=channels, overrides={"mapping": mapping}).grid.unpinned == []


def test_reference_against_the_lock_is_a_sentence(opened, tmp_path):
    """A reference in the project file that is not the pinned one is not passed over in silence."""
    _pin(opened(), tmp_path)
    assert opened(reference="2026-03-23/g-01.fits").grid.unpinned == []
    assert opened(reference="g-01.fits").grid.unpinned == []
    said = "reference: g-02.fits: the grid is pinned to 2026-03-23/g-01.fits already; delete"
    with pytest.raises(UserError, match=said):
        opened(reference="g-02.fits")


def test_unreadable_lock_is_a_sentence(opened, tmp_path):
    """A lock file that a run did not write is refused."""
    opened()
    (tmp_path / "projects" / "tiny.lock.yaml").write_text("grid: nowhere\n")
    with pytest.raises(UserError, match="is not a readable lock file"):
        opened()


def test_half_a_lock_is_a_sentence(opened, tmp_path):
    """What the missing half pinned is not chosen anew unasked; the whole file is taken again."""
    path = _pin(opened(), tmp_path)
    content = path.read_bytes()
    log = job_log_path(opened().by_name["tiny"].paths, "choose_grid", "")
    with job_log(os.path.abspath(log), "{}", path):
        pass
    opened()
    path.write_bytes(content[: content.index(b"  g:")])
    told = f"has {path.stat().st_size} of the {len(content)} bytes that it was written with; put"
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


def test_integration_says_how_much_memory_it_takes(opened):
    """The memory of a tiny integration is what the interpreter takes and little more."""
    assert 200 < opened().memory.integrate(_wild(channel="g"), threads=2) < 400


def test_searching_says_how_much_memory_it_takes(opened, monkeypatch):
    """Of 320 x 240 pixels it is what the interpreter takes, of 61 megapixels 3.4 GB."""
    plans, names = opened(), _wild()
    assert 200 < plans.memory.search(names) < 300
    (frame, *_) = plans.by_name["tiny"].lights("ha")
    large = replace(frame, width_px=9576, height_px=6388)
    monkeypatch.setattr(ProjectPlan, "lights", lambda _plan, _channel: [large])
    assert plans.memory.search(names) == pytest.approx(3450, abs=50)


def test_drawing_says_how_much_memory_it_takes(opened):
    """It goes with the pixels of the picture: a larger scale wants more, and so does a turn."""
    names = _wild(image="survey")
    plain = opened()
    large = opened(overrides={"geometry": {"scale": 4.0}})
    turned = opened(overrides={"geometry": {"scale": 4.0, "position_angle_deg": 30.0}})
    for asked in ("annotate", "overlay"):
        usual, more, most = (
            getattr(plans.memory, asked)(names) for plans in (plain, large, turned)
        )
        assert 200 < usual < 300
        assert most - 250 == pytest.approx(2 * (more - 250), abs=2)
        assert more - 250 == pytest.approx(16 * (usual - 250), abs=16)


def test_images_of_the_user_are_laid_over_the_picture(opened, tmp_path):
    """Each image that the project names is a target of `field`, and one that is missing is told."""
    image = tmp_path / "survey.fits"
    image.write_bytes(b"")
    plans = opened(sky={"overlays": {"survey-r": str(image)}})
    path = "results/tiny/field/overlay_survey-r.png"
    assert path in plans.targets("field")
    wildcards = _wild(image="survey-r")
    assert plans.overlaid_image(wildcards) == str(image)
    assert json.loads(plans.job(overlay_job, "image")(wildcards))["name"] == "survey-r"
    image.unlink()
    with pytest.raises(UserError, match=r"sky\.overlays\.survey-r: no such file"):
        opened(sky={"overlays": {"survey-r": str(image)}})


def test_wildcards_are_what_the_projects_have(opened):
    """What no project has is no channel, night or picture of a rule, so no rule makes it."""
    plans = opened()
    assert sorted(plans.channels.split("|")) == ["b", "g", "ha"]
    assert [
        night for night in (*NIGHTS, "2020-01-01") if re.fullmatch(plans.nights, night)
    ] == NIGHTS
    assert plans.pictures.split("|") == ["ha\\-in\\-red"]
    nothing = Plans({}, dry_run=True)
    assert not any(re.match(one, "") for one in (nothing.channels, nothing.nights))


def test_what_only_another_project_has_is_a_sentence(opened):
    """It names the project and what it has; a sub belongs to its channel."""
    plans = opened()
    (frame, *_) = plans.by_name["tiny"].lights("g")
    with pytest.raises(UserError, match="project tiny has no channel 'zz'; it has "):
        plans.job(integrate_job, "channel")(_wild(channel="zz"))
    with pytest.raises(
        UserError, match="channel 'g' of project tiny has no sub 'zz'; results/tiny/"
    ):
        plans.links(sets.frame_of_sub)(_wild(channel="g", sub="zz"))
    with pytest.raises(UserError, match=f"channel 'b' of project tiny has no sub '{frame.id}'"):
        plans.links(sets.frame_of_sub)(_wild(channel="b", sub=frame.id))


def test_what_rules_make_is_known(opened):
    """Every product, and what is only made on demand; nothing else, nor of another project."""
    plan = opened().by_name["tiny"]
    (frame, *_) = plan.lights("g")
    for path in products_of(plan):
        assert can_make(plan, path) == path.startswith("results/")
    for inside in (
        f"registered/g/{frame.id}.fits",
        f"calibrated/g/{frame.id}.fits",
        f"cosmic_rays/g/{NIGHTS[0]}.fits",
        "picture/ha-in-red.tif",
        "picture/ha-in-red_123px.jpg".replace("_", "."),
        "matched/g.fits",
    ):
        assert can_make(plan, f"results/tiny/{inside}")
    for path in (
        "results/tiny/channels/zz.fits",
        "results/other/channels/g.fits",
        "channels/g.fits",
        "results/tiny/",
        "results/../results/tiny/channels/g.fits",
        "results/tiny/frames.tsv",
        f"results/tiny/registered/b/{frame.id}.fits",
        "results/tiny/picture/x.png",
        "results/tiny/picture/ha-in-red.gif",
        "results/tiny/measures/g/2020-01-01.fits",
    ):
        assert not can_make(plan, path)


def test_a_file_that_no_rule_makes_is_a_sentence(opened):
    """It names the file, the project and the nearest file; target rules and files are taken."""
    plans = [opened().by_name["tiny"]]
    for target in ("all", "picture", "results/tiny/channels/g.fits"):
        check_file(target, plans)
    check_file("results/lost/channels/g.fits", [])
    said = (
        r"--to results/tiny/chanels/g.fits: no rule makes this file for tiny - did you mean "
        r"'results/tiny/channels/g.fits'\?"
    )
    with pytest.raises(WrongCommand, match=said):
        check_file("results/tiny/chanels/g.fits", plans)
    with pytest.raises(
        WrongCommand, match="makes this file for tiny; it may be one such as results/"
    ):
        check_file("results/" + "x" * 300, plans)


def test_a_dry_run_tells_the_jobs_of_the_plan(opened):
    """A line a job, with its own reason; masters that another project makes are shared."""
    plan = opened().by_name["tiny"]
    other = replace(plan, loaded=replace(plan.loaded, name="other"), results="results/other")
    ahead = {"tiny": look_ahead(plan, "channels"), "other": look_ahead(other, "channels")}
    first, *lines = dry_run_lines(ahead)
    assert len(lines) == sum(len(one.to_make) for one in ahead.values())
    assert first.startswith(f"To do: {len(lines)} jobs: master bias, master dark")
    assert f"share master x {len(plan.masters)}" in first
    assert lines.count("  choose grid tiny  (not there yet)") == 1
    assert "  integrate tiny g" in lines
    assert any(line.startswith("  share master other bias_") for line in lines)
    assert list(dry_run_lines({})) == ["Nothing new to do."]


def test_snakemake_is_asked_where_the_plan_does_not_tell(opened):
    """With its options, and for files that are made on demand alone."""
    plan = opened().by_name["tiny"]
    outlooks = [look_ahead(plan, "all")]
    (frame, *_) = plan.lights("g")
    assert is_planned(outlooks, "all", ())
    assert is_planned(outlooks, "results/tiny/channels/g.fits", ())
    assert not is_planned(outlooks, "all", ("--forceall",))
    assert not is_planned(outlooks, f"results/tiny/registered/g/{frame.id}.fits", ())
    assert not is_planned([], "all", ())
