import os

import pytest

from platefiles.workflow.deletable import Candidate
from platefiles.workflow.graph import products_of, targets_of
from platefiles.workflow.remakable import (
    LINKED,
    Kind,
    Remakable,
    keep_linked,
    remakable,
    results_of_plan,
)


def candidate(path, size=10, names=1, inode=1):
    """Return a file that may be deleted."""
    return Candidate(path, size, "", False, (inode, size, 0), names)


def test_results_are_what_stages_ask_for_and_the_sources_of_pictures(plan_of):
    """Channels, pictures, tables and kept subs are results; what only rules read is not."""
    plan = plan_of(keep_subs=["calibrated"])
    results = results_of_plan(plan)
    assert results >= {*targets_of(plan, "all")}
    assert plan.paths.recipe_linear_image in results
    rules = {one.rule for path, one in products_of(plan).items() if path not in results}
    assert rules == {
        *("master_bias", "master_dark", "master_flat", "measure_stars", "choose_reference"),
        *("register", "assess_subs", "find_cosmic_rays", "subtract_gradient", "draw_picture"),
    } - ({"find_cosmic_rays"} if not plan.cleaned_channels else set())


def test_kinds_are_named_by_rule_or_folder():
    """Words and the name of a rule are the same; a slash behind a folder does not matter."""
    kind = Kind("measure_stars", "measures", (candidate("a", 3), candidate("b", 4)))
    assert kind.size_bytes == 7
    for word in ("measure_stars", "measure stars", "measures", "measures/"):
        assert kind.is_named(["other", word])
    assert not kind.is_named(["measure"])
    assert not kind.is_named([""])
    assert Kind("list_subs", "", ()).is_named(["list_subs"])


@pytest.fixture
def found(plan_of):
    """Return what may be deleted of a project, of two masters of which one has a second name."""
    plan = plan_of()
    products = products_of(plan)
    paths = [path for path in products if "/calibration/flat" in path][:2]
    files = (candidate(paths[0], 10, 2, 1), candidate(paths[1], 20, 1, 2))
    return Remakable(plan, products, (Kind("master_flat", "calibration", files),), (), ())


def test_a_file_with_another_name_is_kept_unless_all_names_go(found):
    """Deleting one of two names frees nothing; deleting both does."""
    (one,) = keep_linked([found])
    assert [file.path for file in one.files] == [found.files[1].path]
    assert [(file.path, file.kept) for file in one.kept] == [(found.files[0].path, LINKED)]
    assert keep_linked([found, found]) == [found, found]


def test_kinds_come_largest_first_and_can_be_chosen(found):
    """Files that are kept leave their kind; a kind without files is none."""
    assert found.only(["calibration"]) == found
    assert found.only(["measures"]).files == []
    without = found.keeping([file.path for file in found.files], "a reason")
    assert without.kinds == ()
    assert {file.kept for file in without.kept} == {"a reason"}


def test_without_results_there_is_nothing(plan_of, tmp_path, monkeypatch):
    """Before the first run no product is there, and the lock file is never looked at."""
    monkeypatch.chdir(tmp_path)
    plan = plan_of()
    os.makedirs(os.path.dirname(plan.paths.lock), exist_ok=True)
    one = remakable(plan, True)
    assert (one.kinds, one.kept, one.others) == ((), (), ())
