import hashlib
import os
import shutil

import numpy as np
import pytest

from platecli.deletion import tidy
from platefiles.fits.products_io import image_hdu, write_product
from platefiles.provenance.activities import RawRecord
from platefiles.provenance.header_provenance import making_cards
from platefiles.provenance.record import record_hdu
from platefiles.workflow.deletable import delete
from platefiles.workflow.leftovers import find_leftovers
from platefiles.workflow.noted_plan import note_products, noted_products

RESULTS = "results/tiny"
FRAMES = {"f1", "f2"}


def make(name, *fingerprints):
    """Write a master that was made of frames with these fingerprints."""
    frames = [{"id": one, "name": f"{one}.fits"} for one in fingerprints]
    job = {"settings": {}, "code": "0" * 16, "project": None, "master": name, "frames": frames}
    raws = [
        RawRecord(hashlib.sha256(one.encode()).hexdigest(), f"{one}.fits", 5, "bias", one)
        for one in fingerprints
    ]
    path = f"{RESULTS}/calibration/{name}.fits"
    hdus = [image_hdu(np.ones((3, 4), np.float32), "SCI")]
    hdus.append(record_hdu("master_bias", path, job, {"raw": raws}))
    write_product(path, making_cards("master_bias", job), hdus)
    return path


@pytest.fixture
def here(tmp_path, monkeypatch):
    """The folder that the results lie in."""
    monkeypatch.chdir(tmp_path)
    return tmp_path


def found(*planned):
    """Return the leftovers by path."""
    return {one.path: one for one in find_leftovers(RESULTS, planned, FRAMES)}


def test_what_the_plan_makes_is_no_leftover(here):
    """Products of the plan are passed over, others are told with their size."""
    planned, other = make("bias_a", "f1"), make("bias_b", "f2")
    (only,) = found(planned).values()
    assert (only.path, only.kept, only.gone) == (other, "", False)
    assert only.size_bytes == os.path.getsize(other)
    assert found(planned, other) == {}


def test_what_nothing_can_make_again_is_told(here):
    """A product of a raw frame that is not there any more is told from one of frames that are."""
    make("bias_a", "f1")
    make("bias_b", "f1", "lost")
    assert [one.gone for one in found().values()] == [False, True]


def test_files_of_the_user_are_passed_over_or_kept(here):
    """What no run has made is not even listed; copies, and what was changed, are kept."""
    path = make("bias_a", "f1")
    shutil.copyfile(path, f"{RESULTS}/calibration/my copy.fits")
    os.makedirs(f"{RESULTS}/channels")
    shutil.copyfile(path, f"{RESULTS}/channels/ha.fits")
    changed = make("bias_b", "f1")
    with open(changed, "r+b") as file:
        file.seek(-4000, os.SEEK_END)
        file.write(b"?")
    with open(f"{RESULTS}/notes.fits", "wb") as file:
        file.write(b"SIMPLE  =" + bytes(4000))
    os.symlink(os.path.abspath(path), f"{RESULTS}/calibration/link.fits")
    with open(f"{RESULTS}/frames.tsv", "w") as file:
        file.write("a table\n")
    told = {one.path.removeprefix(f"{RESULTS}/"): bool(one.kept) for one in found().values()}
    assert told == {
        "calibration/bias_a.fits": False,
        "calibration/bias_b.fits": True,
        "calibration/my copy.fits": True,
        "channels/ha.fits": True,
    }


def test_a_file_that_took_the_place_of_a_leftover_is_kept(here):
    """What lies there now is deleted only if it is the file that was listed."""
    path = make("bias_a", "f1")
    (one,) = found().values()
    os.rename(path, "away.fits")
    with open(path, "w") as file:
        file.write("mine")
    assert not delete(one)
    assert os.path.exists(path)
    os.replace("away.fits", path)
    assert delete(one)
    assert not os.path.exists(os.path.dirname(path))  # which was empty then
    assert os.path.isdir("results")


def test_products_of_a_plan_are_noted(here):
    """Paths inside the results come back; those elsewhere are no products to be kept there."""
    os.makedirs(RESULTS)
    assert noted_products(here / RESULTS) is None
    note_products(RESULTS, ["projects/tiny.lock.yaml", f"{RESULTS}/channels/b.fits"])
    assert noted_products(here / RESULTS) == {"channels/b.fits"}


def test_words_of_tidy(here):
    """A line for each file with its size, the reason for each that is kept, and how to go on."""
    make("bias_a", "f1")
    make("bias_b", "lost")
    shutil.copyfile(make("bias_c", "f1"), f"{RESULTS}/calibration/x.fits")
    os.unlink(f"{RESULTS}/calibration/bias_c.fits")
    leftovers = list(found().values())
    chosen = [one for one in leftovers if not one.kept and not one.gone]
    said = list(tidy.text("tiny", leftovers, chosen))
    size = f"{leftovers[0].size_bytes / 1000:.1f} kB"
    assert said == [
        f"tiny: 1 product ({size}) that its plan no longer makes:",
        f"  {size:>8}  {RESULTS}/calibration/bias_a.fits",
        f"tiny: kept: {RESULTS}/calibration/x.fits: no run recorded it; delete it by hand",
        f"tiny: kept: 1 product ({size}) whose raw frames no longer exist, so that no "
        "run can make it again; --gone deletes it too:",
        f"  {size:>8}  {RESULTS}/calibration/bias_b.fits",
    ]
    assert list(tidy.text("tiny", [], [])) == ["tiny: no products of an earlier plan"]
