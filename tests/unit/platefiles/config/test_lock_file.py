from dataclasses import replace

import pytest

from platefiles.config.lock_file import Lock, Part, lock_text, read_lock, size_problem
from platefiles.core.errors import UserError

LOCK = Lock("g_01_ab", "nuit/h\u00e9-01.fits", 320, 240, {"g": "g_01_ab", "ha": "007"})


def test_lock_reads_back(tmp_path):
    """What is written is read, names that look like numbers and odd letters included."""
    path = tmp_path / "p.lock.yaml"
    path.write_text(lock_text(LOCK), encoding="utf-8")
    assert read_lock(path) == LOCK


def test_a_crop_reads_back_and_comes_before_the_references(tmp_path):
    """A file without crop is told from one with a crop of no channel; cut short it loses both."""
    path = tmp_path / "p.lock.yaml"
    for crop in (None, {}, {"g": Part((1, 320), (5, 233)), "ha": Part((4, 9), (1, 1))}):
        lock = replace(LOCK, crop=crop)
        path.write_text(lock_text(lock), encoding="utf-8")
        assert read_lock(path) == lock
    content = path.read_bytes()
    for size in range(content.index(b"crop:"), content.index(b"photometry:")):
        path.write_bytes(content[:size])
        with pytest.raises(UserError, match="is not a readable lock file"):
            read_lock(path)


@pytest.mark.parametrize("columns", ["[0, 5]", "[5, 4]", "[1, 2000000]", "[1]", "x", "[a, b]"])
def test_a_crop_that_is_no_part_of_a_grid_is_a_sentence(tmp_path, columns):
    """Columns are counted from 1, the first before the last."""
    path = tmp_path / "p.lock.yaml"
    text = lock_text(replace(LOCK, crop={"g": Part((1, 5), (1, 240))}))
    path.write_text(text.replace("[1, 5]", columns), encoding="utf-8")
    with pytest.raises(UserError, match="is not a readable lock file"):
        read_lock(path)


def test_lock_says_what_it_is():
    """The file begins with its purpose and how to choose again."""
    assert lock_text(LOCK).startswith("# Written by the first run")
    assert "Delete this file" in lock_text(LOCK)


def test_no_file_is_no_lock(tmp_path):
    """A project that has not run yet has no lock."""
    assert read_lock(tmp_path / "p.lock.yaml") is None


@pytest.mark.parametrize(
    "text",
    ["", "grid: [", "grid: 4", "grid: {reference: a}", "- a", "\x00", "grid: {}\n", "a: &a [*a]",
     "grid: {reference: a, name: a, width_px: 1000000000, height_px: 9}\nphotometry: {}\n",
     "grid: {reference: a, name: a, width_px: 0, height_px: 9}\nphotometry: {}\n"],
)  # fmt: skip
def test_broken_lock_is_a_sentence(tmp_path, text):
    """A lock file that a run did not write is refused with the remedy."""
    path = tmp_path / "p.lock.yaml"
    path.write_text(text)
    with pytest.raises(UserError, match="p.lock.yaml: is not a readable lock file; restore"):
        read_lock(path)


def test_another_size_of_the_grid_is_a_sentence(tmp_path):
    """It names file, line, key, both sizes and the remedy; the same size is nothing to speak of."""
    path = tmp_path / "p.lock.yaml"
    path.write_text(lock_text(LOCK), encoding="utf-8")
    assert size_problem(path, LOCK, 320, 240) == ""
    assert size_problem(path, LOCK, 320, 480) == (
        f"{path}:7: grid.height_px: the grid has 240 pixels and the sub that it is pinned to, "
        "nuit/h\u00e9-01.fits, has 480; restore the first p.lock.yaml, or delete it to choose the "
        "grid again"
    )
    assert f"{path}:6: grid.width_px: the grid has 320 pixels" in size_problem(path, LOCK, 9, 9)


def test_lock_that_is_no_text_is_a_sentence(tmp_path):
    """So is one that is not UTF-8."""
    path = tmp_path / "p.lock.yaml"
    path.write_bytes(b"grid: \xff\xfe")
    with pytest.raises(UserError, match="is not a readable lock file"):
        read_lock(path)
