"""Products of an earlier plan are told apart, and deleted when that is asked for."""

import fcntl
import sys

import pytest

NIGHT = "2026-03-24"
VIVID = {"vivid": {"stretch": {"saturation": 2.0}, "files": ["png"]}}


@pytest.fixture
def tidy(home, command_line):
    """Return a way to run the verb in the home, with an answer to its question or none."""

    def run(*words, answer="", expected=0):
        command = [sys.executable, "-P", "-m", "platecli", "tidy", str(home.project), *words]
        command += ["--directory", str(home.folder)]
        return command_line.said(command, expected, answer=answer)

    return run


def verified(home, command_line, expected=0):
    """Run `verify` on the results."""
    command = [sys.executable, "-P", "-m", "platecli", "verify", str(home.results)]
    return command_line.said(command, expected)


def files(home):
    """Return all files of a home but those of Snakemake."""
    return {
        path.relative_to(home.folder).as_posix()
        for path in home.folder.rglob("*")
        if path.is_file() and ".snakemake" not in path.parts
    }


def test_a_picture_of_an_earlier_plan_is_deleted_on_request(home, tidy, command_line):
    """The picture that a project has no more is told by verify, listed, asked for and deleted."""
    assert tidy() == "tiny: no products of an earlier plan\n"
    home.change_project(pictures=VIVID)
    home.run("--to", "all")
    home.change_project(pictures={})
    home.run("--to", "all")
    before = files(home)
    left = {f"results/tiny/picture/vivid.{ending}" for ending in ("fits", "display.fits", "png")}
    told = "3 products of an earlier plan: "
    assert told in verified(home, command_line)
    said = tidy(answer="\n")
    assert said.startswith("tiny: 3 products (")
    assert all(name in said for name in left)
    assert said.endswith("? [y/N] Nothing was deleted.\n")
    assert "Nothing was deleted, since nobody answered" in tidy(expected=2)
    assert files(home) == before
    assert tidy(answer="y\n").endswith(") deleted.\n")
    assert files(home) == before - left
    said = verified(home, command_line)
    assert told not in said
    assert "not kept" not in said
    assert home.planned() == home.to_do() == []


def test_a_night_that_vanished_is_deleted_only_by_name_of_the_option(home, tidy, command_line):
    """Nothing can make its measures again, so `--yes` leaves them and `--gone --yes` does not."""
    for path in home.raw.glob(f"{NIGHT}/*b-*.fits"):
        path.unlink()
    home.run("--to", "all")
    before = files(home)
    assert "of an earlier plan: " in verified(home, command_line)
    tables = {f"results/tiny/{folder}/b/{NIGHT}.fits" for folder in ("measures", "registration")}
    said = tidy("--yes")
    assert "--gone deletes them too:" in said
    assert all(name in said for name in tables)
    assert files(home) == before
    tidy("--yes", "--gone")
    gone = before - files(home)
    assert tables <= gone
    assert gone - tables == {
        name for name in gone if name.startswith(f"results/tiny/calibration/flat_b_{NIGHT}")
    }
    assert len(gone) == 3
    assert "all unchanged" in verified(home, command_line)
    assert home.planned() == home.to_do() == []


def test_while_a_run_is_at_work_nothing_is_deleted(home, tidy):
    """The lock of the results is respected: one sentence, its own status, nothing touched."""
    before = files(home)
    with open(home.folder / "results" / ".run.lock", "a") as stream:
        fcntl.flock(stream, fcntl.LOCK_EX)
        said = tidy("--yes", "--gone", expected=4)
    assert said.startswith("another run is active in ")
    assert said.count("\n") == 1
    assert files(home) == before
