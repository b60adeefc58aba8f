import io
import os

import pytest

from platecli.deletion.question import counted, delete_if_wanted, deleted, size_text
from platecli.text import outcome
from platefiles.workflow.deletable import Candidate


@pytest.fixture
def file(tmp_path, monkeypatch):
    """Return a file that may be deleted."""
    monkeypatch.chdir(tmp_path)
    path = "results/tiny/sky/g.fits"
    os.makedirs(os.path.dirname(path))
    with open(path, "wb") as stream:
        stream.write(bytes(1500))
    info = os.stat(path)
    return Candidate(path, 1500, "", False, (info.st_ino, info.st_size, info.st_mtime_ns))


@pytest.mark.parametrize(
    ("answer", "status", "told"),
    [
        ("y\n", 0, "Delete 1 product (1.5 kB)? [y/N] 1 product (1.5 kB) deleted.\n"),
        ("YES\n", 0, "Delete 1 product (1.5 kB)? [y/N] 1 product (1.5 kB) deleted.\n"),
        ("\n", 0, "Delete 1 product (1.5 kB)? [y/N] Nothing was deleted.\n"),
        ("yeah\n", 0, "Delete 1 product (1.5 kB)? [y/N] Nothing was deleted.\n"),
        ("", outcome.WRONG, "nobody answered; --yes deletes without asking.\n"),
    ],
)
def test_only_a_yes_deletes(file, monkeypatch, capsys, answer, status, told):
    """Any other answer, and none, leaves everything there."""
    monkeypatch.setattr("sys.stdin", io.StringIO(answer))
    assert delete_if_wanted([file], unasked=False) == status
    assert capsys.readouterr().out.endswith(told)
    assert os.path.exists(file.path) == (not answer.lower().startswith(("y\n", "yes\n")))


def test_nothing_to_delete_is_no_question(capsys):
    """Without files nothing is asked or said."""
    assert delete_if_wanted([], unasked=False) == 0
    assert capsys.readouterr().out == ""


def test_a_replaced_file_stays_and_the_status_tells(file, capsys):
    """What lies there now is not what was listed."""
    os.utime(file.path, (1, 1))
    assert deleted([file]) == ([], outcome.FAILED)
    assert "the file was replaced; it is kept" in capsys.readouterr().err
    assert os.path.exists(file.path)


def test_sizes_are_for_people(file):
    """Powers of 1000, one decimal."""
    assert [size_text(n) for n in (0, 999, 1000, 12_345_678, 3 * 10**9)] == [
        *("0 bytes", "999 bytes", "1.0 kB", "12.3 MB", "3.0 GB"),
    ]
    assert counted([file, file], "file") == "2 files (3.0 kB)"
