import shutil

import pytest
from astropy.io import fits

from platecli.text.outlook import look_ahead
from platecli.verbs import check
from platefiles.frames.frame import write_frame_list
from platefiles.plan.grid_jobs import grid_job
from platefiles.raw_folders.known_frames import KnownFrame, present_name, read_known, recognised
from platefiles.raw_folders.scan import RawFile
from platefiles.workflow.open_project import open_projects


def raw(inside, fingerprint, folder="/raw"):
    """Describe a raw file."""
    return RawFile(f"{folder}/{inside}", folder, inside, 1, 1, 4, 3, {}, "", fingerprint)


def known(name, fingerprint, path=""):
    """Describe a frame of the last sheet."""
    from platefiles.core.safe_names import frame_id

    return KnownFrame(frame_id(name), path or f"/raw/{name}", name, fingerprint)


def names(files, frames):
    """Return the known name of each file, in order; None where it is new."""
    found = recognised(files, frames)
    return [found[place].name if place in found else None for place in range(len(files))]


def test_content_is_recognised_under_another_name():
    """A renamed file is the known frame; a file with other content is new under any name."""
    frames = [known("n1/a.fits", "aa"), known("n1/b.fits", "bb")]
    files = [raw("n2/a.fits", "aa"), raw("n1/b.fits", "cc")]
    assert names(files, frames) == ["n1/a.fits", None]


def test_swapped_names_are_swapped_back():
    """Two files that took each other's name are told apart by content."""
    frames = [known("a.fits", "aa"), known("b.fits", "bb")]
    assert names([raw("a.fits", "bb"), raw("b.fits", "aa")], frames) == ["b.fits", "a.fits"]


def test_copy_does_not_take_the_place_of_the_original():
    """Of two files of one content the one where the frame lay is the frame, or of its name."""
    frames = [known("z/a.fits", "aa")]
    assert names([raw("b/a.fits", "aa"), raw("z/a.fits", "aa")], frames) == [None, "z/a.fits"]
    moved = [known("z/a.fits", "aa", path="/old/z/a.fits")]
    assert names([raw("b/a.fits", "aa"), raw("z/a.fits", "aa")], moved) == [None, "z/a.fits"]
    back = [known("z/a.fits", "aa", path="/raw/b/a.fits")]
    assert names([raw("b/a.fits", "aa"), raw("z/a.fits", "aa")], back) == ["z/a.fits", None]


def test_files_without_a_fingerprint_are_never_recognised():
    """What could not be opened has none, and is nothing known."""
    assert names([raw("a.fits", "")], [known("b.fits", "bb")]) == [None]


@pytest.fixture
def opened(tiny_raw, write_project, tmp_path, monkeypatch):
    """Return a way to open the tiny project on a copy of its frames, as `run` does."""
    monkeypatch.chdir(tmp_path)
    shutil.copytree(tiny_raw, tmp_path / "raw")

    def open_it(folder="raw", **keys):
        path = write_project(tmp_path / "projects" / "tiny.yaml", tmp_path / folder, **keys)
        plans, problems = open_projects([str(path)], tmp_path, True, dry_run=False)
        assert problems == {}
        return plans["tiny"]

    return open_it


def jobs(plan):
    """Return all facts that decide on remaking products."""
    from platefiles.workflow.graph import products_of

    return {path: product.job for path, product in products_of(plan).items()}


def test_renamed_folders_change_no_job(opened, tmp_path):
    """A night's folder that was renamed, files too, and a raw folder a level up: the same jobs."""
    before = jobs(opened())
    (tmp_path / "raw" / "2026-03-23").rename(tmp_path / "raw" / "first night")
    assert jobs(opened()) == before
    (tmp_path / "raw" / "first night" / "ha-01.fits").rename(tmp_path / "raw" / "x.fits")
    assert jobs(opened()) == before
    (tmp_path / "up").mkdir()
    (tmp_path / "raw").rename(tmp_path / "up" / "m15-old")
    plan = opened("up")
    assert jobs(plan) == before
    assert jobs(opened("up")) == before
    told = check.text(look_ahead(plan, "all"))
    count = len(plan.frames)
    moved = "recognised by content: 2026-03-23/b-01.fits is now"
    assert f"  moved: {count} files, {moved} m15-old/first night/b-01.fits" in told
    frame = next(frame for frame in plan.frames if frame.name == "2026-03-23/ha-01.fits")
    assert frame.path == str(tmp_path / "up" / "m15-old" / "x.fits")
    assert present_name(frame, plan.loaded.raw_folders) == "m15-old/x.fits"
    link = tmp_path / plan.paths.link(frame)
    assert link.resolve() == tmp_path / "up" / "m15-old" / "x.fits"


def test_a_renamed_folder_of_lights_without_a_type_changes_no_job(opened, tmp_path):
    """Where only a folder's name told that frames are lights, they stay lights in another one."""
    night = tmp_path / "raw" / "2026-03-23"
    (tmp_path / "raw" / "lights").mkdir()
    for path in [path for path in night.iterdir() if not path.name.startswith("flat")]:
        target = tmp_path / "raw" / "lights" / path.name.replace("-", "_")
        shutil.copyfile(path, target)
        path.unlink()
        fits.delval(target, "IMAGETYP")
    before = opened()
    assert {f.role for f in before.frames if f.name.startswith("lights/")} == {"light"}
    (tmp_path / "raw" / "lights").rename(tmp_path / "raw" / "thistledown")
    assert jobs(opened()) == jobs(before)
    assert jobs(opened()) == jobs(before)


def test_new_files_under_old_names_are_new(opened, tmp_path):
    """A new night in a folder of the old name gets new ids, and keeps them."""
    before = opened()
    night = tmp_path / "raw" / "2026-03-23"
    night.rename(tmp_path / "raw" / "first night")
    night.mkdir()
    moved = tmp_path / "raw" / "first night" / "ha-01.fits"
    changed = bytearray(moved.read_bytes())
    changed[-3000] ^= 1
    (night / "ha-01.fits").write_bytes(changed)
    for _ in range(2):
        plan = opened()
        ids = {frame.id for frame in plan.frames}
        assert len(ids) == len(plan.frames)
        assert {frame.id for frame in before.frames} < ids
        (new,) = ids - {frame.id for frame in before.frames}
        assert plan.by_id[new].path == str(night / "ha-01.fits")


def test_moving_by_copying_and_deleting_changes_no_job(opened, tmp_path):
    """While there are two copies the known one stays in use, and then the other takes over."""
    before = jobs(opened())
    shutil.copytree(tmp_path / "raw" / "2026-03-24", tmp_path / "raw" / "1 copy")
    plan = opened()
    copies = [frame for frame in plan.frames if frame.path.startswith(f"{tmp_path}/raw/1 copy")]
    assert {frame.role for frame in copies} == {"unused"}
    changed = {path for path, job in jobs(plan).items() if job != before[path]}
    assert changed == {"results/tiny/subs.tsv"}  # which lists all files
    shutil.rmtree(tmp_path / "raw" / "2026-03-24")
    assert jobs(opened()) == before


def test_patterns_hold_for_old_and_new_names(opened, tmp_path):
    """What was excluded stays so under its old name, and can be named by the new one."""
    keys = {"exclude": ["2026-03-23/b-0[12].fits"]}
    before = jobs(opened(**keys))
    (tmp_path / "raw" / "2026-03-23").rename(tmp_path / "raw" / "first night")
    assert jobs(opened(**keys)) == before
    assert jobs(opened(exclude=["first night/b-0[12].fits"])) == before


def test_reference_may_be_named_by_its_new_name(opened, tmp_path):
    """The project may give the reference sub by its present name."""
    before = grid_job(opened(reference="2026-03-23/g-02.fits"))
    (tmp_path / "raw" / "2026-03-23").rename(tmp_path / "raw" / "first night")
    assert grid_job(opened(reference="first night/g-02.fits")) == before
    assert grid_job(opened(reference="2026-03-23/g-02.fits")) == before


@pytest.mark.parametrize("column", ["id", "name"])
def test_a_damaged_line_of_the_sheet_gives_nobody_another_name(opened, tmp_path, column):
    """With one changed letter of an id or a name, the frame is identified by its path."""
    before = jobs(opened())
    path = tmp_path / "results" / "tiny" / "frames.tsv"
    header, *lines = path.read_text(encoding="utf-8").splitlines()
    place, cells = header.split("\t").index(column), lines[3].split("\t")
    cells[place] = ("x" if cells[place][0] != "x" else "y") + cells[place][1:]
    lines[3] = "\t".join(cells)
    path.write_text("\n".join([header, *lines, ""]), encoding="utf-8")
    assert len(read_known(path)) == len(lines) - 1
    assert jobs(opened()) == before


def test_sheet_of_another_version_or_none_knows_nothing(opened, tmp_path):
    """Without a sheet that can be read the names are those of now."""
    assert read_known(tmp_path / "nowhere.tsv") == []
    (tmp_path / "odd.tsv").write_text("id\tpath\nx\ty\n")
    assert read_known(tmp_path / "odd.tsv") == []
    frames = opened().frames
    write_frame_list(frames, tmp_path / "sheet.tsv")
    found = read_known(tmp_path / "sheet.tsv")
    assert {one.id: one.fingerprint for one in found} == {f.id: f.fingerprint for f in frames}


def test_a_sheet_of_an_earlier_version_knows_the_frames_in_use(opened, tmp_path):
    """Without the column that tells why, frames that were used keep their ids and names."""
    frames = opened(exclude=["2026-03-23/g-02.fits"]).frames
    write_frame_list(frames, tmp_path / "sheet.tsv")
    assert len(read_known(tmp_path / "sheet.tsv")) == len(frames)
    lines = (tmp_path / "sheet.tsv").read_text(encoding="utf-8").splitlines()
    older = ["\t".join(line.split("\t")[:-2]) for line in lines]
    (tmp_path / "sheet.tsv").write_text("\n".join([*older, ""]), encoding="utf-8")
    found = read_known(tmp_path / "sheet.tsv")
    assert {one.id for one in found} == {f.id for f in frames if f.role != "unused"}
