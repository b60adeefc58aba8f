import os
from pathlib import Path

import numpy as np
import pytest
from astropy.io import fits

from platefiles.core.errors import UserError
from platefiles.provenance import code_digests
from platefiles.raw_folders.frame_list import build_frame_list
from platefiles.raw_folders.scan import scan_folders
from platefiles.transfers.fetch import local_copies
from platefiles.transfers.links import link_name, make_links
from platefiles.transfers.pointers import write_pointers


@pytest.fixture
def project(bucket, tmp_path, write_project, monkeypatch):
    """Two lights in object storage and one on disk: the sheet, and a way to lay it out."""
    from platefiles.config.load import load_project

    (tmp_path / "disk").mkdir()
    for number, name in enumerate(("one", "two", "three")):
        hdu = fits.PrimaryHDU(np.full((150, 300), 7 + number, np.uint16))
        hdu.header["IMAGETYP"], hdu.header["FILTER"], hdu.header["EXPTIME"] = "light", "G", 60.0
        hdu.writeto(tmp_path / "disk" / f"{name}.fits")
    for name in ("one", "two"):
        bucket.put(f"raw/{name}.fits", (tmp_path / "disk" / f"{name}.fits").read_bytes())
        (tmp_path / "disk" / f"{name}.fits").rename(tmp_path / f"{name}.fits")
    path = write_project(tmp_path / "projects" / "tiny.yaml", tmp_path / "disk")
    raw = scan_folders([tmp_path / "disk", f"{bucket.url}/raw"], None, False)
    return build_frame_list(raw, load_project(path, tmp_path))


@pytest.fixture
def results(project, tmp_path):
    """The results of that project, with links and pointers."""
    write_pointers(project, tmp_path / "results")
    make_links(project, tmp_path / "results" / "links")
    return tmp_path / "results"


def _links(project, results):
    return {f.name: os.fspath(results / "links" / link_name(f)) for f in project}


def _bytes(path):
    with open(path, "rb") as file:
        return file.read()


def test_files_on_disk_are_left_where_they_are(project, results):
    """Without pointers among them the very links come back, and nothing is made."""
    link = _links(project, results)["three.fits"]
    assert local_copies([link]) == [link]
    assert not (results / "fetched").exists()


def test_stored_frames_are_fetched_once(project, results, tmp_path, bucket):
    """In the order that was asked for, with the bytes of the object; a second time none is sent."""
    links = _links(project, results)
    names = ["two.fits", "three.fits", "one.fits"]
    paths = local_copies([links[name] for name in names])
    assert paths[1] == links["three.fits"]
    assert [_bytes(paths[i]) for i in (0, 2)] == [_bytes(tmp_path / names[i]) for i in (0, 2)]
    for name in ("one", "two"):
        bucket.client.delete_object(Bucket=bucket.name, Key=f"raw/{name}.fits")
    assert local_copies([links[name] for name in names]) == paths


def test_damaged_copy_is_fetched_anew(project, results, tmp_path):
    """A copy that was cut short or changed is noticed before it is used."""
    link = _links(project, results)["one.fits"]
    (path,) = local_copies([link])
    for content in (_bytes(path)[:-1], _bytes(path)[:-1] + b"\1"):
        with open(path, "wb") as file:
            file.write(content)
        assert local_copies([link]) == [path]
        assert _bytes(path) == _bytes(tmp_path / "one.fits")


def test_object_that_was_replaced_is_one_sentence(project, results, tmp_path, bucket):
    """Its bytes are not used, and no copy stays."""
    bucket.put("raw/one.fits", _bytes(tmp_path / "two.fits"))
    said = r"/raw/one\.fits: changed since the run began: run again"
    with pytest.raises(UserError, match=said):
        local_copies([_links(project, results)["one.fits"]])
    assert list((results / "fetched").iterdir()) == []


def test_copies_go_where_they_are_wanted(project, results, tmp_path, monkeypatch):
    """A node may have a disk of its own for them."""
    monkeypatch.setenv("PLATELOG_SCRATCH", str(tmp_path / "scratch"))
    (path,) = local_copies([_links(project, results)["one.fits"]])
    assert os.path.dirname(path) == str(tmp_path / "scratch")
    assert not (results / "fetched").exists()


def test_pointers_follow_the_sheet(project, results):
    """Pointers and copies of frames that are not used any more go; a second time nothing does."""
    local_copies(list(_links(project, results).values()))
    (results / "fetched" / "mine.txt").write_text("kept")
    assert write_pointers(project, results) == 0
    fewer = [frame for frame in project if frame.name != "one.fits"]
    assert write_pointers(fewer, results) == 2
    make_links(fewer, results / "links")
    assert len(os.listdir(results / "objects")) == 1
    assert sorted(name[:4] for name in os.listdir(results / "fetched")) == ["mine", "two_"]
    assert write_pointers([], results) == 2


def test_nothing_is_made_without_object_storage(project, tmp_path):
    """A project on disk has neither pointers nor their folder."""
    on_disk = [frame for frame in project if frame.name == "three.fits"]
    assert write_pointers(on_disk, tmp_path / "elsewhere") == 0
    assert not (tmp_path / "elsewhere").exists()


def test_how_bytes_travel_is_no_part_of_a_step():
    """A change in the fetching of frames makes no product anew: steps do not import it."""
    waiting, seen = ["measure_stars.py"], set()
    while waiting:
        path = waiting.pop()
        if path not in seen:
            seen.add(path)
            waiting += code_digests._parsed(path)[1]
    names = {Path(path).stem for path in seen}
    assert "fetch" in names
    assert not {name for name in names if name.startswith(("object", "bucket", "scan", "pointers"))}
