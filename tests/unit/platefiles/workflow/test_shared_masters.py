from pathlib import Path

import pytest

from platefiles.core.hashing import canonical
from platefiles.fits.products_io import write_product
from platefiles.provenance.header_provenance import making_cards
from platefiles.workflow.graph import Product
from platefiles.workflow.shared_masters import shared_masters, shared_stem

JOB = {"project": None, "settings": {}, "code": "0" * 16, "master": "bias_x"}


def _path(project):
    return f"results/{project}/calibration/bias_x.fits"


def _product(project, job=JOB):
    return Product(_path(project), "master_bias", "bias_x", canonical(job), ())


@pytest.fixture(autouse=True)
def _empty_folder(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)


def _write(project, job=JOB):
    write_product(Path(_path(project)), making_cards("master_bias", job), [])


def test_first_project_makes_the_master_of_all():
    """Of projects that all lack a master, the first makes it; another job is another master."""
    other = JOB | {"settings": {"clip_sigma": 3}}
    products = {_path(p): _product(p) for p in ("one", "two", "three")}
    products[_path("three")] = _product("three", other)
    assert shared_masters("results", products, set(products)) == {_path("two"): _path("one")}


def test_master_that_is_there_is_taken():
    """A master of a project that is not run, or that is as it should be, serves."""
    _write("gone")
    products = {_path(p): _product(p) for p in ("one", "two")}
    found = shared_masters("results", products, {_path("one"), _path("two")})
    assert found == {_path("one"): _path("gone"), _path("two"): _path("gone")}
    _write("two")
    Path(_path("gone")).unlink()
    assert shared_masters("results", products, {_path("one")}) == {_path("one"): _path("two")}
    assert shared_masters("results", products, set()) == {}


def test_master_of_another_job_is_left_alone():
    """Neither a master of other frames serves, nor one that its project uses no more."""
    _write("gone", JOB | {"settings": {"clip_sigma": 3}})
    _write("two")
    products = {_path("one"): _product("one")}
    products["results/two/subs.tsv"] = Product("results/two/subs.tsv", "list_subs", "", "", ())
    assert shared_masters("results", products, {_path("one")}) == {}


def test_stem_is_what_the_rule_has_as_its_wildcard():
    """Folder and ending are left away."""
    assert shared_stem("results", _path("one")) == "one/calibration/bias_x"
