import hashlib
import os
import shutil
import subprocess

import pytest

from platefiles.core.errors import UserError
from platefiles.digests.digest_sheet import (
    NAME,
    SEAL,
    forget,
    is_sealed,
    read_digest_sheet,
    write_digest_sheet,
)

NAMES = ("a.fits", "night 1/b.fits", "back\\slash.tsv", "line\nbreak", "return\r", "\u0141 \udcff")


def digests_in(folder):
    """Write a file of each name and return their digests."""
    for name in NAMES:
        (folder / name).parent.mkdir(exist_ok=True)
        (folder / name).write_bytes(os.fsencode(name))
    return {name: hashlib.sha256(os.fsencode(name)).hexdigest() for name in NAMES}


def test_a_sheet_is_read_back(tmp_path):
    """Paths of any characters round-trip, sorted; an unchanged sheet is not rewritten."""
    digests = digests_in(tmp_path)
    assert write_digest_sheet(tmp_path, digests)
    assert read_digest_sheet(tmp_path / NAME) == digests
    assert not write_digest_sheet(tmp_path, dict(reversed(digests.items())))


@pytest.mark.skipif(shutil.which("sha256sum") is None, reason="sha256sum is not installed")
def test_sha256sum_reads_a_sheet(tmp_path):
    """GNU's program finds every file by its escaped name, and a changed one changed."""
    write_digest_sheet(tmp_path, digests_in(tmp_path))
    command = ["sha256sum", "--check", "--strict", "--quiet", NAME]
    assert subprocess.run(command, cwd=tmp_path, capture_output=True).returncode == 0
    (tmp_path / "line\nbreak").write_text("other")
    done = subprocess.run(command, cwd=tmp_path, capture_output=True)
    assert (done.returncode, done.stdout.count(b"FAILED")) == (1, 1)


@pytest.mark.parametrize("name", [NAME, SEAL])
def test_a_sheet_that_was_changed_is_told_by_its_seal(tmp_path, name):
    """A lost line, or a letter of a path, is found by the digest of the sheet itself."""
    digests = digests_in(tmp_path)
    write_digest_sheet(tmp_path, digests)
    assert is_sealed(tmp_path / NAME)
    content = (tmp_path / name).read_bytes()
    (tmp_path / name).write_bytes(content[: len(content) // 2])
    assert not is_sealed(tmp_path / NAME)
    write_digest_sheet(tmp_path, digests)
    assert is_sealed(tmp_path / NAME)


@pytest.mark.parametrize(
    "line", ["", "no digest", f"{'0' * 63}  short", f"{'0' * 64} one-blank", f"{'0' * 64}  /abs"]
)
def test_a_line_that_is_none_is_named(tmp_path, line):
    """The error has file, line and remedy."""
    (tmp_path / NAME).write_text(f"{'0' * 64}  a.fits\n{line}\n")
    with pytest.raises(UserError, match=f"{NAME}:2: .*the next run writes the list again"):
        read_digest_sheet(tmp_path / NAME)


def test_deleted_files_are_taken_out_of_a_sheet(tmp_path):
    """The others stay, and the sheet is sealed again; one that was changed is left as it is."""
    digests = digests_in(tmp_path)
    forget(tmp_path, {"a.fits"})  # there is no sheet yet
    assert not (tmp_path / NAME).exists()
    write_digest_sheet(tmp_path, digests)
    forget(tmp_path, {"a.fits", "line\nbreak", "never there"})
    kept = {n: d for n, d in digests.items() if n not in ("a.fits", "line\nbreak")}
    assert read_digest_sheet(tmp_path / NAME) == kept
    assert is_sealed(tmp_path / NAME)
    changed = (tmp_path / NAME).read_bytes().replace(b"0", b"1")
    (tmp_path / NAME).write_bytes(changed)
    forget(tmp_path, {"night 1/b.fits"})
    assert (tmp_path / NAME).read_bytes() == changed
