"""ADES documents as PSV: header records, a row of names, rows of values between pipes.

The order of columns is that of the standard's default template. Other elements than those of the
template stand before ``remarks``, in the order of the schema.
"""

import re
from xml.etree.ElementTree import Element, SubElement

from platefiles.astrometric_report import structure
from platefiles.core.errors import UserError

_IDENTITY = ("permID", "provID", "trkSub")
_TEMPLATE = (
    *_IDENTITY,
    *("mode", "stn", "obsTime", "ra", "dec", "rmsRA", "rmsDec", "rmsCorr", "astCat", "mag"),
    *("rmsMag", "band", "photCat", "photAp", "logSNR", "seeing", "exp", "notes"),
)
_RIGHT = {"permID", "trkSub", "mode", "astCat", "band", "photCat", "exp"}
_POINT_AT = {"ra": 4, "dec": 4, "rmsRA": 2, "rmsDec": 2, "rmsCorr": 3, "mag": 3, "rmsMag": 2}
_KEYWORDS = re.compile(r"[a-z]\w*")


def psv_text(document: Element) -> str:
    """Return a document as PSV, its columns aligned."""
    lines = [f"# version={structure.VERSION}"]
    for block in document.iter("obsBlock"):
        context, data = block[0], block[1]
        for tag in structure.CONTEXT_ORDER:
            for part in context.iter(tag):
                lines += _header(part)
        lines += _table([{one.tag: one.text or "" for one in row} for row in data], data[0].tag)
    return "\n".join(lines) + "\n"


def _header(part: Element) -> list[str]:
    own = f" {part.text.strip()}" if part.text and part.text.strip() else ""
    return [f"# {part.tag}{own}", *(f"! {child.tag} {child.text}" for child in part)]


def _table(rows: list[dict[str, str]], kind: str) -> list[str]:
    used = {name for row in rows for name in row}
    first = (*_IDENTITY, "artSat", "obsSubID")
    others = [one for one in structure.order(kind) if one not in (*first, *_TEMPLATE, "remarks")]
    names = list(dict.fromkeys([*first, *_TEMPLATE, *others, "remarks"]))
    names = [one for one in names if one in used]
    columns = [_aligned(name, [row.get(name, "") for row in rows]) for name in names]
    return ["|".join(cells).rstrip() for cells in zip(*columns, strict=True)]


def _aligned(name: str, values: list[str]) -> list[str]:
    """Return a column of equal widths: by the decimal point, to the right, or to the left."""
    if name in _POINT_AT:
        before = [_POINT_AT[name] - 1 - len(value.split(".")[0]) for value in values]
        values = [" " * max(n, 0) + value for n, value in zip(before, values, strict=True)]
    width = max(map(len, [name, *values]))
    if name in _RIGHT:
        return [name.ljust(width), *(value.rjust(width) for value in values)]
    return [name.ljust(width), *(value.ljust(width) for value in values)]


def read_psv(text: str) -> Element:
    """Return the root of the document that PSV writes.

    Elements of observations come in the order of the schema, whatever that of the columns is.

    Raises
    ------
    UserError
        A row cannot be understood: it is named with its line.
    """
    reader = _Reader()
    for number, line in enumerate(text.splitlines(), 1):
        if line.strip():
            reader.line(number, line)
    return reader.document


class _Reader:
    """Builds a document line by line."""

    def __init__(self) -> None:
        self.document = Element("ades")
        self.block: Element | None = None
        self.part: Element | None = None
        self.names: list[str] = []

    def line(self, number: int, line: str) -> None:
        words = line[1:].strip().split(None, 1)
        cells = [cell.strip() for cell in line.split("|")]
        if line.startswith("#"):
            self._part(number, words)
        elif line.startswith("!"):
            self._child(number, words)
        elif all(_KEYWORDS.fullmatch(cell) for cell in cells):
            self.names = cells
            if len(set(cells)) < len(cells):
                raise _refusal(number, "a column stands twice")
        else:
            self._row(number, cells)

    def _part(self, number: int, words: list[str]) -> None:
        if words and words[0].startswith("version="):
            self.document.set("version", words[0].partition("=")[2])
            return
        if not words:
            raise _refusal(number, "a header record has no name")
        if words[0] == "observatory" or self.block is None:
            self.block = SubElement(self.document, "obsBlock")
            SubElement(self.block, "obsContext")
            self.names = []
        self.part = SubElement(self.block[0], words[0])
        self.part.text = words[1] if len(words) > 1 else None

    def _child(self, number: int, words: list[str]) -> None:
        if self.part is None or not words:
            raise _refusal(number, "a header record with '!' needs one with '#' before it")
        SubElement(self.part, words[0]).text = words[1] if len(words) > 1 else None

    def _row(self, number: int, cells: list[str]) -> None:
        if not self.names:
            raise _refusal(number, "a row of values needs a row of names before it")
        if len(cells) > len(self.names):
            raise _refusal(number, f"{len(cells)} values for {len(self.names)} names")
        values = {name: cell for name, cell in zip(self.names, cells, strict=False) if cell}
        kind = structure.kind_of(list(values))
        if kind is None:
            raise _refusal(number, "the kind of observation cannot be told from its elements")
        ordered = structure.order(kind)
        parent = self._data()
        row = SubElement(parent, kind)
        known = [name for name in ordered if name in values]
        for name in [*known, *(name for name in values if name not in known)]:
            SubElement(row, name).text = values[name]

    def _data(self) -> Element:
        if self.block is None:
            return self.document
        found = self.block.find("obsData")
        return SubElement(self.block, "obsData") if found is None else found


def _refusal(number: int, what: str) -> UserError:
    return UserError(f"Line {number} of the report is no PSV of ADES: {what}.")
