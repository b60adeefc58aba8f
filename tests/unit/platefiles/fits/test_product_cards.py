"""The table of keywords, what steps take from it, and the list in the manual."""

import pytest
from astropy.io import fits
from astropy.units import Unit

from platefiles.fits.product_cards import (
    MANUAL,
    OF_IMAGE,
    TYPES,
    card,
    comment_of,
    entry,
    keywords,
    manual,
)
from platefiles.fits.products_io import write_product


def test_the_manual_has_the_present_table():
    """``python -m platefiles.fits.product_cards`` has been run since the table was edited."""
    assert MANUAL.read_text(encoding="utf-8") == manual()


@pytest.mark.parametrize("one", keywords(), ids=lambda one: one.name)
def test_every_line_is_complete(one):
    """Each has a type, a unit that astropy knows or none, a meaning, products and a source."""
    assert one.kind in TYPES
    assert one.unit in ("", OF_IMAGE, "byte", "px", "deg/px") or Unit(one.unit)
    assert one.comment or one.more
    assert one.products
    assert one.source
    assert len(one.name) <= 8
    fits.Card(one.name.replace("_i_j", "_0_2").replace("n", "1"), 0).verify("exception")


def test_no_keyword_is_in_two_lines():
    """Patterns do not take what has a line of its own."""
    for one in keywords():
        assert [other.name for other in keywords() if other.pattern.fullmatch(one.name)] in (
            [one.name],
            [],  # a pattern, which is no keyword itself
        )


@pytest.mark.parametrize(
    ("keyword", "comment"),
    [
        ("EXPTIME", "[s] total exposure"),
        ("SKYMEAN", "mean of the surface; it is not subtracted"),
        ("NOTDONE3", ""),
        ("AP_2_1", "[px]"),
        ("TUNIT12", "unit of a column"),
    ],
)
def test_units_stand_in_brackets_before_the_comment(keyword, comment):
    """That of the image is not repeated; numbered keywords have the comment of their line."""
    assert comment_of(keyword) == comment


def test_a_comment_that_does_not_fit_is_left_out():
    """A text of 30 letters leaves no room for 40; a text over several cards keeps its comment."""
    assert card("MATCHRES", 0.1)[2] == "median rms residual of a star over its peak"
    assert card("STEP", "x" * 60)[2] == ""
    assert card("SETTINGS", "x" * 90)[2] == "settings of the step, JSON"


@pytest.mark.parametrize("keyword", ["UNHEARD", "NOTDONE", "NOTDONE0", "AP_2_x", "SKYMEAN1"])
def test_a_keyword_without_a_line_is_refused(tmp_path, keyword):
    """A step cannot write what the table does not explain, and nothing is left of its product."""
    with pytest.raises(KeyError, match=rf"{keyword}: no such keyword in keywords\.tsv; add a line"):
        entry(keyword)
    with pytest.raises(KeyError):
        write_product(tmp_path / "a.fits", [(keyword, 1)], [])
    assert list(tmp_path.iterdir()) == []


def test_a_step_writes_no_comments_of_its_own(tmp_path):
    """A card is a name and a value."""
    with pytest.raises(TypeError):
        write_product(tmp_path / "a.fits", [("STEP", "integrate", "my rule")], [])
