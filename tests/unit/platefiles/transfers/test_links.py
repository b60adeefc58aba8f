import os
import re
from pathlib import Path

import pytest

from platefiles.core.errors import UserError
from platefiles.core.safe_names import frame_id
from platefiles.frames.frame import Frame
from platefiles.transfers.links import link_name, make_links

ODD_NAMES = [
    "a b.fits",
    "'q\".fit",
    "$(touch x).fits.fz",
    "{x}.FTS.GZ",
    "new\nline.fits",
    os.fsdecode(b"\xff\xfe.fits.fz"),
]


def _frame(path, role="light"):
    texts = ("channel", "night", "camera", "setting", "start_utc", "unit", "target")
    numbers = ("width_px", "height_px", "exposure_s", "pedestal", "size_bytes")
    unknown = ("gain", "offset", "temperature_c", "egain")
    name = os.path.basename(path)
    return Frame(
        id=frame_id(name), path=str(path), name=name, role=role, binning="1x1", fingerprint="",
        **dict.fromkeys(texts, ""), **dict.fromkeys(numbers, 1), **dict.fromkeys(unknown),
    )  # fmt: skip


def test_odd_names_get_safe_links(tmp_path):
    """Each link has a safe name with the ending of its packing, and leads to the file's bytes."""
    frames = []
    (tmp_path / "raw").mkdir()
    for name in ODD_NAMES:
        path = tmp_path / "raw" / name
        path.write_bytes(os.fsencode(name))
        frames.append(_frame(path))
    assert make_links(frames, tmp_path / "links") == len(ODD_NAMES)
    for frame in frames:
        name = link_name(frame)
        assert re.fullmatch(r"[A-Za-z0-9_]+\.fits(\.fz|\.gz)?", name)
        assert (tmp_path / "links" / name).read_bytes() == os.fsencode(frame.name)
    endings = [link_name(frame).partition(".")[2] for frame in frames]
    assert endings == ["fits", "fits", "fits.fz", "fits.gz", "fits", "fits.fz"]


def test_links_that_are_right_stay(tmp_path):
    """A second time nothing is made, and no link is touched."""
    frames = [_frame(tmp_path / "a.fits"), _frame(tmp_path / "b.fits", role="unused")]
    assert make_links(frames, tmp_path / "links") == 1
    before = os.lstat(tmp_path / "links" / link_name(frames[0]))
    assert make_links(frames, tmp_path / "links") == 0
    assert os.lstat(tmp_path / "links" / link_name(frames[0])).st_ino == before.st_ino


def test_stale_links_go_and_wrong_ones_are_mended(tmp_path):
    """What is no link is never touched."""
    links = tmp_path / "links"
    frame = _frame(tmp_path / "a.fits")
    make_links([frame, _frame(tmp_path / "gone.fits")], links)
    (links / link_name(frame)).unlink()
    (links / link_name(frame)).symlink_to("/elsewhere.fits")
    (links / "mine.txt").write_text("kept")
    (links / "folder").mkdir()
    make_links([frame], links)
    assert sorted(os.listdir(links)) == sorted(["folder", link_name(frame), "mine.txt"])
    assert Path(os.readlink(links / link_name(frame))) == tmp_path / "a.fits"


def test_a_file_in_the_way_is_one_sentence(tmp_path):
    """It is left as it is."""
    frame = _frame(tmp_path / "a.fits")
    (tmp_path / link_name(frame)).write_text("mine")
    with pytest.raises(UserError, match=r"is in the way of a link to .*a\.fits: move it"):
        make_links([frame], tmp_path)
    assert (tmp_path / link_name(frame)).read_text() == "mine"
