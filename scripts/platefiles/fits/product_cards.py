"""Cards of products: what ``keywords.tsv`` says of every keyword that a step may write.

A step gives the name and the value of a card; unit and comment are taken from the table. So is the
list of keywords in ``scripts/products.md``, which ``python -m platefiles.fits.product_cards`` (with
``PYTHONPATH=scripts``) writes again.

The columns of the table: ``keyword``, where ``n`` at the end stands for a number from 1 on and
``_i_j`` for two powers; ``type``; ``unit``, ``BUNIT`` for that of the image; ``comment``;
``products``, by their folder or name in `scripts/products.md`; ``source``, a standard or a
convention; and ``more``, what the comment of a card has no room for.
"""

import csv
import functools
import re
from pathlib import Path
from typing import Any, NamedTuple

TABLE = Path(__file__).with_name("keywords.tsv")
MANUAL = Path(__file__).resolve().parents[2] / "products.md"
OF_IMAGE = "BUNIT"
TYPES = {"text": str, "integer": int, "real": float, "logical": bool}
_BEGIN, _END = "<!-- keywords -->\n", "<!-- end of keywords -->\n"
_LINE, _ROOM = 70, 3
_VALUE = 20


class Keyword(NamedTuple):
    """A line of ``keywords.tsv``."""

    name: str
    kind: str
    unit: str
    comment: str
    products: str
    source: str
    more: str

    @property
    def pattern(self) -> re.Pattern[str]:
        """Matches the keywords that the line stands for."""
        name = self.name.replace("_i_j", "_[0-9]_[0-9]")
        return re.compile(re.sub("n$", "[1-9][0-9]*", name))


@functools.cache
def keywords() -> tuple[Keyword, ...]:
    """Return the table."""
    with TABLE.open(encoding="utf-8", newline="") as file:
        lines = csv.reader(file, delimiter="\t", quoting=csv.QUOTE_NONE)
        return tuple(Keyword(*line) for line in list(lines)[1:])


@functools.cache
def entry(keyword: str) -> Keyword:
    """Return the line of a keyword.

    Raises
    ------
    KeyError
        If the table lacks the keyword.
    """
    for one in keywords():
        if one.name == keyword or (one.name[-1] in "nj" and one.pattern.fullmatch(keyword)):
            return one
    msg = f"{keyword}: no such keyword in {TABLE.name}; add a line that says what it means"
    raise KeyError(msg)


def comment_of(keyword: str) -> str:
    """Return the comment of a card: the unit in brackets and the meaning of the value."""
    one = entry(keyword)
    unit = f"[{one.unit}]" if one.unit and one.unit != OF_IMAGE else ""
    return f"{unit} {one.comment}".strip()


def card(keyword: str, value: Any) -> tuple[str, Any, str]:
    """Return a card for astropy; a comment that does not fit beside the value is omitted.

    Parameters
    ----------
    keyword : str
        One of the table.
    value : str, int, float or bool
        Texts become ASCII: other letters are written as in `platefiles.fits.products_io.table_hdu`.
    """
    width, comment = _VALUE, comment_of(keyword)
    if isinstance(value, str):
        if not (value.isascii() and value.isprintable()):
            value = value.encode("unicode_escape").decode("ascii")
        width = max(width, len(value.replace("'", "''")) + 2)
    one_line = width <= _LINE  # a longer text goes on in CONTINUE cards, and its comment with it
    return keyword, value, "" if one_line and width + _ROOM + len(comment) > _LINE else comment


def manual() -> str:
    """Return the text of ``products.md`` with the present table of keywords."""
    head = ("keyword", "type", "unit", "meaning", "products", "standard")
    rows = [
        (one.name, one.kind, _unit(one.unit), _meaning(one), one.products, one.source)
        for one in keywords()
    ]
    lines = [head, ("---",) * len(head), *rows]
    table = "".join(f"| {' | '.join(line)} |\n".replace("|  |", "| |") for line in lines)
    text = MANUAL.read_text(encoding="utf-8")
    before, after = text.split(_BEGIN)[0], text.split(_END)[1]
    return f"{before}{_BEGIN}{table}{_END}{after}"


def _unit(unit: str) -> str:
    return "as BUNIT" if unit == OF_IMAGE else unit


def _meaning(one: Keyword) -> str:
    return "; ".join(text for text in (one.comment, one.more) if text)


if __name__ == "__main__":
    MANUAL.write_text(manual(), encoding="utf-8")
