import os

import numpy as np
import pytest
from astropy.io import fits

from platefiles.config.load import load_project
from platefiles.core.errors import UserError
from platefiles.raw_folders import scan
from platefiles.raw_folders.folder_walk import SeenFiles, walk_folders
from platefiles.raw_folders.scan import scan_folders
from platefiles.workflow.open_project import open_projects


@pytest.fixture
def raw(tmp_path):
    """A raw folder with three lights."""
    folder = tmp_path / "raw"
    (folder / "night").mkdir(parents=True)
    for number in range(3):
        cards = {"IMAGETYP": "Light", "FILTER": "G", "EXPTIME": 60.0 + number}
        cards |= {"DATE-OBS": f"2026-03-23T22:0{number}:00"}
        pixels = np.full((6, 8), number, np.uint16)
        path = folder / "night" / f"g-{number}.fits"
        fits.PrimaryHDU(pixels, fits.Header(cards)).writeto(path)
    return folder


@pytest.fixture
def read(monkeypatch):
    """Paths of the files whose headers were read, in order."""
    paths, usual = [], scan.read_record

    def counted(path, *more, **named):
        paths.append(os.path.basename(path))
        return usual(path, *more, **named)

    monkeypatch.setattr(scan, "read_record", counted)
    return paths


def test_projects_that_share_a_folder_read_it_once(raw, read):
    """The second scan looks at no file, and finds the very same ones."""
    seen = SeenFiles()
    first = scan_folders([raw], None, False, seen=seen)
    again = scan_folders([raw], None, False, seen=seen)
    assert read == ["g-0.fits", "g-1.fits", "g-2.fits"]
    assert all(one is other for one, other in zip(first, again, strict=True))
    assert again == scan_folders([raw], None, False)


def test_each_project_has_its_own_folders(raw, read, tmp_path):
    """What is shared is read once, and each scan has the files of its own folders alone."""
    (tmp_path / "more").mkdir()
    (tmp_path / "more" / "h.fits").write_bytes((raw / "night" / "g-0.fits").read_bytes()[:2880])
    seen = SeenFiles()
    both = scan_folders([raw, tmp_path / "more"], None, False, seen=seen)
    assert [file.inside for file in scan_folders([tmp_path / "more"], None, False, seen=seen)] == [
        "h.fits"
    ]
    assert len(both) == 4
    assert sorted(read) == ["g-0.fits", "g-1.fits", "g-2.fits", "h.fits"]


def test_a_file_in_two_folders_counts_once(raw, tmp_path):
    """Links to files and folders are taken once in a project, whoever has walked there before."""
    other = tmp_path / "other"
    other.mkdir()
    (other / "again").symlink_to(raw / "night")
    os.link(raw / "night" / "g-0.fits", other / "hard.fits")
    (raw / "round").symlink_to(raw)
    seen = SeenFiles()
    assert len(list(seen.walk([other]))) == 3
    assert len(list(seen.walk([raw, other]))) == 3
    assert [found[1:3] for found in seen.walk([raw, other])] == [
        found[1:3] for found in walk_folders([raw, other])
    ]


def test_a_folder_that_is_not_there_is_told_each_time(tmp_path):
    """A sentence is no file, and is said to each project that has the folder."""
    seen = SeenFiles()
    for _ in range(2):
        with pytest.raises(UserError, match="there is no raw folder"):
            list(seen.walk([tmp_path / "none"]))


def test_the_cache_of_a_project_counts_only_while_a_file_is_as_it_was(raw, read, tmp_path):
    """What another project saw is no older than what the cache of this one tells."""
    cache = tmp_path / "scan.json"
    scan_folders([raw], cache, True)
    path = raw / "night" / "g-1.fits"
    fits.setval(path, "EXPTIME", value=7.5)
    os.utime(path, (1e9, 1e9))
    read.clear()
    seen = SeenFiles()
    for _ in range(2):
        found = scan_folders([raw], cache, False, seen=seen)
        assert [file.header["EXPTIME"] for file in found] == [60.0, 7.5, 62.0]
    assert read == ["g-1.fits"]


def test_fixes_of_one_project_are_not_those_of_another(raw):
    """A header is read once for each set of fixes; true and 1 are two values."""
    (file, *_) = scan_folders([raw], None, False)
    assert file.facts({}).exposure_s == 60.0
    assert file.facts({"EXPTIME": 1}).exposure_s == 1.0
    assert file.facts({"EXPTIME": True}).exposure_s is None
    assert file.facts({"EXPTIME": 1}) is file.facts({"EXPTIME": 1})
    assert file.facts({}) is file.facts({})


def test_open_projects_walks_once(raw, read, tmp_path, monkeypatch):
    """Ten projects of one raw folder read each header and the recipe once."""
    folder = tmp_path / "projects"
    folder.mkdir()
    for number in range(10):
        (folder / f"p{number}.yaml").write_text(
            f"title: P{number}\nraw: [{raw}]\nrecipe: single-channel\n"
            "channels: {g: {filters: [G]}}\n"
        )
    monkeypatch.chdir(tmp_path)
    plans, problems = open_projects([], folder, True, True)
    assert len(read) == 3
    assert (len(plans), problems) == (10, {})


def test_a_shared_recipe_is_read_again_when_it_changed(raw, tmp_path):
    """Projects that name one recipe share what was read of it, as long as it stays as it is."""
    folder, recipes = tmp_path / "projects", tmp_path / "recipes"
    folder.mkdir()
    recipes.mkdir()
    (folder / "p.yaml").write_text(
        f"title: P\nraw: [{raw}]\nrecipe: own\nchannels: {{g: {{filters: [G]}}}}\n"
    )
    text = "mapping: {luminance: {g: 1}}\nintegration: {clip_high: 4}\n"
    for high in ("4", "3.25"):
        (recipes / "own.yaml").write_text(text.replace("4", high))
        assert load_project("p", folder).recipe.integration.clip_high == float(high)


def test_a_known_role_counts_only_where_nothing_tells_it(raw):
    """What the header tells is read once, whatever role a frame is known by."""
    (file, *_) = scan_folders([raw], None, False)
    assert file.facts({}, "dark") is file.facts({})
    untyped = {"IMAGETYP": "", "FILTER": ""}
    assert file.facts(untyped).role == ""
    assert file.facts(untyped, "dark").role == "dark"
    assert file.facts(untyped).role == ""
