"""The tiny project with its raw frames in object storage."""

import shutil

import pytest

pytestmark = pytest.mark.cluster


def test_stored_frames_give_the_products_of_local_ones(
    finished, make_home, stored, products, object_server, tmp_path
):
    """Every product is the same to the last byte, and no key is left anywhere."""
    home = make_home(tmp_path / "home", title="Nébuleuse")
    home.raw.rmdir()
    home.change_project(raw=[stored])
    said = home.run("--to", "all", "--cores", "2")
    made = products(home)
    assert len(made) == 9 + 6 + 6 + 3 + 3 + 3 + 4 + 10 + 3 + 2
    assert made == products(finished[0])
    assert "Nothing new to do." in home.run("--to", "all")
    for secret in ("AWS_ACCESS_KEY_ID", "AWS_SECRET_ACCESS_KEY"):
        value = object_server[secret].encode()
        files = [path for path in home.folder.rglob("*") if path.is_file()]
        assert [path for path in files if value in path.read_bytes()] == []
        assert object_server[secret] not in said


def test_frames_that_move_into_object_storage_make_nothing_anew(home, stored):
    """Nor do they when the copies that were fetched are gone."""
    shutil.rmtree(home.raw)
    home.change_project(raw=[stored])
    assert home.to_do() == []
    home.change_project(raw=[stored], overrides={"measure": {"max_stars": 1500}})
    night = ("--to", "results/tiny/measures/ha/2026-03-23.fits")
    assert "[1/1] done" in home.run(*night)
    fetched = home.results / "fetched"
    assert len(list(fetched.iterdir())) == 4
    shutil.rmtree(fetched)
    assert home.to_do(*night) == []
