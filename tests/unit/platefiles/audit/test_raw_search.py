import hashlib

import pytest

from platefiles.audit.raw_search import find_raw, folders_beside
from platefiles.core.errors import UserError
from platefiles.provenance.activities import RawRecord


def _record(name, content):
    return RawRecord(hashlib.sha256(content).hexdigest(), name, len(content), "light", "0" * 16)


@pytest.fixture
def raw(tmp_path):
    """Three frames of one size in two nights."""
    contents = {"n1/a.fits": b"A" * 5000, "n1/b.fits": b"B" * 5000, "n2/a.fits": b"C" * 5000}
    for name, content in contents.items():
        (tmp_path / "raw" / name).parent.mkdir(parents=True, exist_ok=True)
        (tmp_path / "raw" / name).write_bytes(content)
    return tmp_path / "raw", [_record(*item) for item in contents.items()]


def _states(found):
    return {frame.raw.name: (frame.state, frame.path) for frame in found.values()}


@pytest.mark.parametrize("above", [False, True])
def test_frames_are_found_in_a_moved_folder(raw, tmp_path, above):
    """The folder may lie anywhere, and a folder above it does as well."""
    folder, records = raw
    moved = folder.rename(tmp_path / "elsewhere")
    found = find_raw(records, [tmp_path if above else moved])
    assert _states(found) == {r.name: ("found", str(moved / r.name)) for r in records}


def test_frames_with_other_names_are_found_by_their_bytes(raw):
    """Two frames that changed names with each other are both found."""
    folder, records = raw
    (folder / "n1/a.fits").rename(folder / "x.fits")
    (folder / "n1/b.fits").rename(folder / "n1/a.fits")
    (folder / "x.fits").rename(folder / "n1/b.fits")
    states = _states(find_raw(records, [folder]))
    assert states["n1/a.fits"] == ("found", str(folder / "n1/b.fits"))
    assert states["n1/b.fits"] == ("found", str(folder / "n1/a.fits"))


def test_changed_and_missing_frames_are_told_apart(raw):
    """A flipped byte is a change, a file that is gone is missing."""
    folder, records = raw
    (folder / "n1/b.fits").write_bytes(b"B" * 4999 + b"b")
    (folder / "n2/a.fits").unlink()
    states = _states(find_raw(records, [folder]))
    assert states["n1/a.fits"][0] == "found"
    assert states["n1/b.fits"] == ("changed", str(folder / "n1/b.fits"))
    assert states["n2/a.fits"] == ("missing", "")


def test_links_of_a_run_lead_to_its_frames(raw, tmp_path):
    """The links beside a product are a folder of raw frames like any other."""
    folder, records = raw
    links = tmp_path / "results/tiny/links"
    links.mkdir(parents=True)
    for number, record in enumerate(records):
        (links / f"id_{number}.fits").symlink_to(folder / record.name)
    assert folders_beside(tmp_path / "results/tiny/measures/ha/n1.fits") == [links]
    (folder / "n1/b.fits").write_bytes(b"other")
    states = _states(find_raw(records, [links]))
    assert [states[r.name][0] for r in records] == ["found", "changed", "found"]


def test_folder_that_is_not_there_is_named(tmp_path):
    """The sentence says which folder, and which option to mend."""
    with pytest.raises(UserError, match="nowhere: there is no such folder .* --raw"):
        find_raw([], [tmp_path / "nowhere"])
    assert folders_beside(tmp_path / "a.fits") == []
