"""Products that a run can make again are deleted when that is asked for, and nothing else."""

import fcntl
import json
import os
import shutil
import sys
from pathlib import Path

import pytest
from astropy.io import fits

NIGHTS = ("2026-03-23", "2026-03-24", "2026-03-25")
INTERMEDIATE = ("calibration/", "measures/", "registration/", "sky/")
DISPLAY = "picture/ha-in-red.display.fits"


@pytest.fixture
def verb(home, command_line):
    """Return a way to run a verb on the home, with an answer to its question or none."""

    def run(name, *words, answer="", expected=0, of=None):
        command = [sys.executable, "-P", "-m", "platecli", name, str(of or home.project), *words]
        return command_line.said(
            [*command, "--directory", str(home.folder)], expected, answer=answer
        )

    return run


def files(home):
    """Return all files of a home but those of Snakemake, without the results' folder."""
    return {
        path.relative_to(home.folder).as_posix().removeprefix("results/tiny/")
        for path in home.folder.rglob("*")
        if path.is_file() and ".snakemake" not in path.parts
    }


def intermediates(home):
    """Return the intermediate products of a home."""
    return {name for name in files(home) if name.startswith(INTERMEDIATE) or name == DISPLAY}


def test_intermediate_products_are_deleted_and_not_missed(home, verb, digests):
    """Listed with their cost, asked for, deleted: no run, check or verification misses them."""
    before = digests(home.results)
    there, products = files(home), intermediates(home)
    said = verb("clean", expected=2)
    assert said.startswith(f"tiny: {len(products)} products (")
    sizes = [line.split()[3] for line in said.splitlines()[2:9]]
    assert sizes[0] == "calibration/"
    assert {*sizes} == {"calibration/", "measures/", "registration/", "sky/", "picture/"}
    assert "a run with nothing new makes none of it again" in said
    assert "Nothing was deleted, since nobody answered" in said
    assert verb("clean", answer="n\n").endswith("Nothing was deleted.\n")
    assert files(home) == there
    assert verb("clean", "--yes").endswith(") deleted.\n")
    assert there - files(home) == products
    after = digests(home.results)
    assert {name for name in after if after[name] != before[name]} == {
        *("digests.sha256", ".digests")
    }
    assert home.planned() == home.to_do() == []
    assert "nothing to do" in verb("check")
    said = verb("verify")
    assert f"{len(products)} intermediate products no longer kept" in said
    assert "all unchanged" in said
    assert verb("clean").startswith("tiny: no products to delete\n")


def test_other_verbs_do_without_intermediate_products(home, verb, tmp_path):
    """Provenance, pixel and replay of results need nothing that was deleted."""
    channel, picture = home.results / "channels/b.fits", home.results / "picture/ha-in-red.png"
    tree = verb("trace", of=picture)
    pixel = verb("trace", "--pixel", "100", "90", of=channel)
    verb("clean", "--yes")
    assert verb("trace", of=picture) == tree
    assert verb("trace", "--pixel", "100", "90", of=channel).endswith(pixel)
    words = ("--into", str(tmp_path / "again"), "--raw", str(home.raw))
    assert verb("replay", *words, of=channel).endswith("identical\n")


def test_a_new_night_makes_what_was_announced_and_the_same_products(home, verb, products, tmp_path):
    """After a new night exactly the announced files are made in addition, and the same bits."""
    other = type(home)(tmp_path / "other")
    shutil.copytree(home.folder, other.folder, symlinks=True)
    (project,) = json.loads(verb("clean", "--json"))
    facts = {kind["rule"]: kind for kind in project["kinds"]}
    assert facts["subtract_gradient"]["next_night_s"] == 0
    assert facts["measure_stars"]["next_night_s"] > 0
    assert {kind["next_run_s"] for kind in project["kinds"]} == {0}
    (project,) = json.loads(verb("clean", "--json", "--yes"))
    assert len(project["deleted"]) == len(project["total"]["files"])
    for one in (home, other):
        for channel in ("b", "g", "ha"):
            one.add_frame(NIGHTS[2], f"{channel}-01.fits", f"{NIGHTS[1]}/{channel}-01.fits")
    more = {*home.planned()} - {*other.planned()}
    assert {*other.planned()} < {*home.planned()}
    masters = ("master_flat", "master_dark", "master_bias")
    assert more == {*_jobs(facts, *masters, "measure_stars", "register")}
    for one in (home, other):
        one.run("--to", "all")
    assert products(home) == products(other)


def _jobs(facts, *rules):
    """Return the jobs of the files of some rules, as `Home.planned` names them."""
    for rule in rules:
        for name in facts[rule]["files"]:
            parts = Path(name).with_suffix("").parts[3:]
            yield " ".join((rule.replace("_", " "), *parts))


def test_results_are_made_again_bit_for_bit(home, verb, undisturbed, products):
    """With `--all` what a project makes is gone, what it is made of stays, and a run makes it."""
    before, made = files(home), products(home)
    (home.results / "notes.txt").write_text("mine")
    said = verb("clean", "--all", answer="y\n")
    assert f"the next run makes {len(made) - 1} files again: " in said
    left = files(home)
    assert before - left == {name for name in made if name != "lock"}
    assert {"notes.txt", "frames.tsv", "projects/tiny.lock.yaml"} <= left
    assert {name for name in before if "/logs/" in name or name.startswith("logs/")} <= left
    home.run("--to", "all")
    assert products(home) == made
    assert home.planned() == home.to_do() == []


def test_what_is_not_surely_made_again_stays(home, verb):
    """Changed files, files of the user, and what raw frames are missing for are kept by reason."""
    sky, registration = home.results / "sky/g.fits", home.results / "registration/g.fits"
    with fits.open(sky) as hdus:
        place = hdus["LIGHT"].fileinfo()["datLoc"]
    with open(sky, "r+b") as file:
        file.seek(place)
        file.write(b"\7")
    shutil.copyfile(registration, home.results / "registration/mine.fits")
    os.replace(home.results / "measures/ha" / f"{NIGHTS[0]}.fits", home.results / "away.fits")
    shutil.copyfile(home.results / "away.fits", home.results / "measures/ha" / f"{NIGHTS[1]}.fits")
    (master,) = (home.results / "calibration").glob("bias*")
    os.link(master, home.folder / "backup.fits")
    (home.raw / NIGHTS[1] / "b-02.fits").unlink()
    there = files(home)
    said = verb("clean", "--all", "--yes")
    for name, why in {
        "sky/g.fits": "it was changed since it was made",
        f"measures/ha/{NIGHTS[1]}.fits": "no run recorded it",
        f"measures/b/{NIGHTS[1]}.fits": "its raw frames no longer exist",
        "channels/b.fits": "its raw frames no longer exist",
        f"calibration/{master.name}": "the same file stays under another name",
    }.items():
        assert f"  kept: results/tiny/{name}: {why}" in said
        assert (home.results / name).exists()
    gone = there - files(home)
    assert "channels/ha.fits" in gone
    assert f"measures/b/{NIGHTS[0]}.fits" in gone
    assert not gone & {"registration/mine.fits", "away.fits", "frames.tsv"}


def test_only_some_kinds_are_deleted(home, verb):
    """Kinds are named by step or folder; the source of a picture that stays is kept."""
    there = files(home)
    words = ("--all", "--only", "map_channels", "--only", "measures")
    said = verb("clean", *words, "--yes")
    assert "picture/ha-in-red.fits: the provenance of a picture lies in it" in said
    assert there - files(home) == {name for name in there if name.startswith("measures/")}
    said = verb("clean", "--only", "nights", expected=2)
    assert said.startswith("--only nights: no rule or folder of products is called this")


def test_while_a_run_is_at_work_nothing_is_deleted(home, verb):
    """The lock of the results is respected: one sentence, its own status, nothing touched."""
    before = files(home)
    with open(home.folder / "results" / ".run.lock", "a") as stream:
        fcntl.flock(stream, fcntl.LOCK_EX)
        said = verb("clean", "--all", "--yes", expected=4)
    assert said.startswith("another run is active in ")
    assert said.count("\n") == 1
    assert files(home) == before
