import errno
import os
import subprocess
import sys

import pytest

from platefiles.core.atomic_write import allocate, remove_abandoned, write_if_changed, write_whole


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


def test_a_full_disk_names_the_file(tmp_path):
    """The system names no file when the disk is full; the error that comes out does."""

    def full(target):
        raise OSError(errno.ENOSPC, "No space left on device")

    with pytest.raises(OSError, match="No space left on device: ") as caught:
        write_whole(tmp_path / "a.fits", full)
    assert caught.value.filename == str(tmp_path / "a.fits")


def test_a_folder_that_refuses_names_the_file(tmp_path, monkeypatch):
    """So does one in which nothing can be made: the name of the unfinished file helps nobody."""

    def refuse(prefix, suffix, dir):
        raise PermissionError(errno.EACCES, "Permission denied", f"{dir}/{prefix}abcd1234{suffix}")

    monkeypatch.setattr("tempfile.mkstemp", refuse)
    with pytest.raises(PermissionError) as caught:
        write_whole(tmp_path / "a.fits", lambda target: None)
    assert caught.value.filename == str(tmp_path / "a.fits")


WRITE = (
    "import sys; from platefiles.core.atomic_write import write_whole; "
    "write_whole(sys.argv[1], lambda _: (print('begun', flush=True), sys.stdin.read()))"
)


def test_what_a_killed_writer_left_is_removed(tmp_path):
    """Unfinished files of the dead go; those of the living, and all others, stay."""
    (tmp_path / "in").mkdir()
    (tmp_path / "in" / ".mine.part").write_text("kept")
    (tmp_path / "in" / "x.part").write_text("kept")
    writers = [
        subprocess.Popen(
            [sys.executable, "-c", WRITE, tmp_path / "in" / name],
            stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True,
        )
        for name in ("dead.fits", "alive.fits")
    ]  # fmt: skip
    with writers[0] as dead, writers[1] as alive:
        assert [writer.stdout.readline() for writer in writers] == ["begun\n"] * 2
        dead.kill()
        dead.wait()
        assert len(os.listdir(tmp_path / "in")) == 4
        assert remove_abandoned(tmp_path) == 1
        alive.stdin.close()
    assert sorted(os.listdir(tmp_path / "in")) == [".mine.part", "alive.fits", "x.part"]


def test_only_files_of_one_name_are_removed(tmp_path):
    """Beside a user's file, what is left of other names is not ours to remove."""
    for name in (".a.lock.yaml.abcd1234.part", ".b.lock.yaml.abcd1234.part"):
        (tmp_path / name).touch()
    (tmp_path / "deep").mkdir()
    (tmp_path / "deep" / ".a.lock.yaml.abcd1234.part").touch()
    assert remove_abandoned(tmp_path, "a.lock.yaml") == 1
    assert sorted(os.listdir(tmp_path)) == [".b.lock.yaml.abcd1234.part", "deep"]
    assert os.listdir(tmp_path / "deep") == [".a.lock.yaml.abcd1234.part"]


@pytest.mark.parametrize("how", ["system", "refused", "unknown"])
def test_room_is_taken_from_the_disk(tmp_path, monkeypatch, how):
    """The room has no holes, is zero, and stands where it shall, also where the system cannot."""

    def refuse(*_):
        raise OSError(errno.EOPNOTSUPP, "Operation not supported")

    if how == "refused":
        monkeypatch.setattr(os, "posix_fallocate", refuse)
    if how == "unknown":
        monkeypatch.delattr(os, "posix_fallocate")
    path = tmp_path / "a.bin"
    with open(path, "w+b") as target:
        target.write(b"head")
        target.flush()
        allocate(target, 4, 3_000_000)
    assert path.read_bytes() == b"head" + bytes(3_000_000)
    assert path.stat().st_blocks * 512 >= 3_000_000


def test_no_room_is_an_error(tmp_path, monkeypatch):
    """A full disk is told, not worked around."""

    def full(*_):
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(os, "posix_fallocate", full)
    with open(tmp_path / "a", "w+b") as target, pytest.raises(OSError, match="No space left"):
        allocate(target, 0, 10)
