"""The previous version of a picture, kept while a run makes the picture again."""

import os
from pathlib import Path

import numpy as np
import pytest

from platefiles.audit.findings import CHANGED
from platefiles.audit.verification import verify
from platefiles.core.hashing import file_sha256
from platefiles.digests.digest_sheet import read_digest_sheet
from platefiles.digests.previous_pictures import keep_pictures, replace_previous
from platefiles.digests.project_digests import write_digests
from platefiles.fits.products_io import image_hdu, write_product
from platefiles.picture.picture_files import Label, write_picture
from platefiles.workflow.graph import products_of
from platefiles.workflow.leftovers import find_leftovers

RECIPE, FURTHER = "ha-in-red", "grey"


class Project:
    """The pictures of the tiny set, made by hand."""

    def __init__(self, plan):
        self.plan, self.products = plan, products_of(plan)

    def files(self, picture=RECIPE):
        """Paths of a picture's linear image and files."""
        return [self.plan.paths.linear_image(picture), *self.plan.paths.picture_files(picture)]

    def make(self, level, picture=RECIPE, files=None):
        """Make the files of a picture, or some of them."""
        linear, *pictures = self.files(picture)
        if files is None or linear in files:
            write_product(linear, [], [image_hdu(np.full((3, 4, 5), level, np.float32), "SCI")])
        label = Label("T", f"sha256:{file_sha256(linear)}", "none", "platelog 0")
        for path in pictures if files is None else [path for path in files if path != linear]:
            write_picture(path, np.full((4, 5, 3), 5000 * level, np.uint16), label)

    def keep(self, *paths):
        """Begin a run that makes some files, all of the recipe's picture by default."""
        assert keep_pictures(self.plan, paths or self.files(), self.products) == []

    def finish(self, *stale):
        """End a run that left some files stale."""
        assert replace_previous(self.plan, stale, self.products) == []

    def previous(self, picture=RECIPE):
        """Return content by name of the previous version."""
        folder = Path(self.plan.results, "previous", picture)
        return {path.name: path.read_bytes() for path in folder.glob("[!.]*")}

    def present(self, picture=RECIPE):
        """Return content by name of the present version."""
        return {os.path.basename(path): Path(path).read_bytes() for path in self.files(picture)}


@pytest.fixture
def project(plan_of, tmp_path, monkeypatch):
    """A project with two pictures, in an empty working directory."""
    monkeypatch.chdir(tmp_path)
    return Project(plan_of(pictures={FURTHER: {"mapping": {"luminance": {"g": 1.0}}}}))


def test_the_version_before_the_last_run_is_kept(project):
    """One generation: a further run replaces it; a first run has none."""
    project.keep()
    project.make(1)
    project.finish()
    assert project.previous() == {}
    for level in (2, 3):
        before = project.present()
        project.keep()
        project.make(level)
        assert len(project.previous()) in (0, len(before))
        project.finish()
        assert project.previous() == before != project.present()


def test_it_takes_no_further_space_until_the_picture_is_made_again(project):
    """Files are linked, so that a linear image that stays is stored once."""
    project.make(1)
    linear, *pictures = project.files()
    project.keep()
    project.make(1, files=pictures)
    project.make(2, files=pictures[:1])
    project.finish()
    kept = Path(project.plan.results, "previous", RECIPE)
    assert os.path.samefile(linear, kept / os.path.basename(linear))
    assert not os.path.samefile(pictures[0], kept / os.path.basename(pictures[0]))


def test_a_disk_without_links_gets_copies(project, monkeypatch):
    """The content is the same."""

    def refuse(*_):
        raise PermissionError(1, "Operation not permitted")

    monkeypatch.setattr("os.link", refuse)
    project.make(1)
    before = project.present()
    project.keep()
    project.make(2)
    project.finish()
    assert project.previous() == before


def test_a_stopped_run_does_not_make_half_a_version_the_previous_one(project):
    """The last whole version waits, however often runs are stopped, and becomes previous then."""
    project.make(1)
    project.keep()
    project.make(2)
    project.finish()
    oldest, before = project.previous(), project.present()
    for level in (3, 4):  # stopped after the linear image and one file
        project.keep()
        project.make(level, files=project.files()[:2])
        project.finish(*project.files()[2:])
        assert project.previous() == oldest
    project.keep()
    project.make(5)
    project.finish()
    assert project.previous() == before


def test_a_run_that_ended_before_the_exchange_is_finished_by_the_next_one(project):
    """Then a run with nothing new moves what is kept; later ones leave it."""
    project.make(1)
    before = project.present()
    project.keep()
    project.make(2)
    for _ in range(2):
        project.finish()  # of a run that makes nothing
        assert project.previous() == before


def test_links_of_a_killed_run_are_made_again(project):
    """A folder without its list of digests is not whole."""
    project.make(1)
    before = project.present()
    rest = Path(project.plan.results, "previous", f".{RECIPE}.next")
    rest.mkdir(parents=True)
    (rest / "ha-in-red.png").write_bytes(b"of an older version")
    project.finish()
    assert project.previous() == {}
    project.keep()
    project.make(2)
    project.finish()
    assert project.previous() == before


def test_a_run_that_makes_the_same_again_leaves_the_previous_version(project):
    """So do a run of another picture and a run that makes no picture."""
    project.make(1)
    project.keep()
    project.make(2)
    project.finish()
    before = project.previous()
    project.keep()
    project.make(2)
    project.finish()
    project.keep("results/tiny/subs.tsv")
    project.finish()
    project.make(1, FURTHER)
    project.keep(*project.files(FURTHER))
    project.make(2, FURTHER)
    project.finish()
    assert project.previous() == before
    assert len(project.previous(FURTHER)) == len(project.files(FURTHER))
    assert sorted(os.listdir("results/tiny/previous")) == [FURTHER, RECIPE]


@pytest.mark.parametrize("fault", ["missing", "another version", "no record"])
def test_what_is_no_whole_version_is_not_kept(project, fault):
    """A version that lacks a file, or whose files are of two linear images, is none to compare."""
    project.make(1)
    path = project.files()[1]
    if fault == "missing":
        os.unlink(path)
    elif fault == "no record":
        Path(path).write_bytes(b"")
    else:
        project.make(2, files=project.files()[:1])
    project.keep()
    project.make(3)
    project.finish()
    assert project.previous() == {}


def test_digests_and_leftovers_know_the_previous_version(project):
    """It is listed and verified, no leftover, and a flipped bit in it is found."""
    project.make(1)
    project.keep()
    project.make(2)
    project.finish()
    plan = project.plan
    write_digests(plan, project.products.values())
    listed = read_digest_sheet("results/tiny/digests.sha256")
    names = {f"previous/{RECIPE}/{name}" for name in project.previous()}
    assert {path for path in listed if path.startswith("previous/")} == names
    assert all(listed[name] == file_sha256(f"results/tiny/{name}") for name in names)
    found = find_leftovers(plan.results, project.products, set())
    assert not [one for one in found if "previous" in one.path]
    victim = f"results/tiny/previous/{RECIPE}/{RECIPE}.tif"
    assert _changed(victim) == []
    content = bytearray(Path(victim).read_bytes())
    content[len(content) // 2] ^= 1
    Path(victim).write_bytes(content)
    assert _changed(victim) == [victim]


def _changed(path):
    return [finding.name for finding in verify([path]).findings if finding.state == CHANGED]
