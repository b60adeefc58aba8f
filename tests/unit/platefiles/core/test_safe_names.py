import re

import pytest

from platefiles.core.safe_names import escape, frame_id, printable, slug, unescape

ODD = [
    "a b",
    "tab\there",
    "new\nline",
    "back\\slash",
    "\\n",
    "caf\u00e9",
    "\udcff\udcfe",
    "\u2028",
    "\U000e0001",
    "",
]


@pytest.mark.parametrize("text", ODD)
def test_escapes_come_back(text):
    """An escaped text is printable on one line, and unescaped it is what it was."""
    assert escape(text).isprintable()
    assert unescape(escape(text)) == text


def test_ids_are_safe_and_tell_paths_apart():
    """Letters, digits and `_` only, readable, and different for each path in the raw folder."""
    names = ["n1/a b.fits", "n2/a b.fits", "$(touch x).fits", "{x}.fits", "\udcff.fits.fz", ".fits"]
    ids = [frame_id(name) for name in names]
    assert all(re.fullmatch(r"[A-Za-z0-9_]+", identity) for identity in ids)
    assert len(set(ids)) == len(names)
    assert frame_id("night1/ha_001.fits.fz").startswith("ha_001_")


def test_slugs_are_lower_case_and_cut_with_a_digest():
    """Two long texts that begin alike do not come out the same."""
    assert slug("Mono-26 (cooled)") == "mono_26_cooled"
    long = [slug("a very long camera name, number " + n, 20) for n in "12"]
    assert long[0] != long[1]
    assert max(map(len, long)) <= 20


def test_printable_leaves_what_can_be_shown_and_escapes_the_rest():
    r"""A line keeps its letters and its backslashes, and cannot move the cursor."""
    assert printable(r"Löwe n1\tb.fits │ ±") == r"Löwe n1\tb.fits │ ±"
    assert printable("a\x1b[31mb\rc") == r"a\u001b[31mb\rc"
