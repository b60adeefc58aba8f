import os

import pytest

from platefiles.wholefile import write_if_changed, write_whole


def test_file_is_made_with_its_folder(tmp_path):
    """The content goes to the place, with the usual rights, and nothing is left beside it."""
    path = tmp_path / "a" / "b" / "c.bin"
    mask = os.umask(0o027)
    try:
        write_whole(path, lambda target: target.write(b"\x00new"))
    finally:
        os.umask(mask)
    assert path.read_bytes() == b"\x00new"
    assert path.stat().st_mode & 0o777 == 0o640
    assert os.listdir(path.parent) == ["c.bin"]


@pytest.mark.parametrize("error", [OSError(28, "No space left on device"), KeyboardInterrupt()])
def test_a_failed_write_leaves_the_old_file(tmp_path, error):
    """A full disk and Ctrl-C in the middle of a write lose nothing and leave nothing behind."""
    path = tmp_path / "a.bin"
    path.write_bytes(b"old")

    def write(target):
        target.write(b"half")
        raise error

    with pytest.raises(type(error)):
        write_whole(path, write)
    assert path.read_bytes() == b"old"
    assert os.listdir(tmp_path) == ["a.bin"]


def test_a_failed_flush_leaves_the_old_text(tmp_path, monkeypatch):
    """A disk that is full when the file is flushed loses nothing."""
    path = tmp_path / "a.txt"
    path.write_text("old")

    def full(descriptor):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(OSError, match="No space left"):
        write_if_changed(path, "new")
    assert path.read_text() == "old"
    assert os.listdir(tmp_path) == ["a.txt"]


def test_equal_text_is_not_written_again(tmp_path):
    """The file keeps its time, and nothing is left beside it."""
    path = tmp_path / "new" / "a.txt"
    assert write_if_changed(path, "caf\u00e9\n")
    os.utime(path, ns=(1, 1))
    assert not write_if_changed(path, "caf\u00e9\n")
    assert path.stat().st_mtime_ns == 1
    assert write_if_changed(path, "tea\n")
    assert path.read_text() == "tea\n"
    assert os.listdir(path.parent) == ["a.txt"]
