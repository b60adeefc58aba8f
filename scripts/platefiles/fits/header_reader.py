"""The bytes of FITS headers: blocks, cards, values. All who read a header without astropy ask here.

Only the standard library is imported: a thousand new subs are looked through in well under a
second, and a damaged header cannot bring more than a reason. Layout: FITS standard 4.0, sections 3
and 4.
"""

import math
import re
from collections.abc import Iterator
from typing import IO, Protocol

BLOCK = 2880
CARD = 80
_KEYWORD, _VALUE = 8, 10
_MOST_BLOCKS = 2000
_QUOTED = re.compile(r"\s*'((?:[^']|'')*)'\s*(?:/(.*))?")

Value = str | int | float | bool


class HeaderError(Exception):
    """A header that cannot be used; the message is the reason, in a few words."""


class CutShort(HeaderError):
    """A file that ends within its header or data, such as one being written."""


class Hasher(Protocol):
    """A consumer of the bytes read, such as a `hashlib` object."""

    def update(self, data: bytes, /) -> None:
        """Add bytes."""
        ...


def read_header_bytes(stream: IO[bytes], hasher: Hasher | None = None) -> bytes:
    """Return a header, from the present position of the stream to the end of its last block.

    Parameters
    ----------
    stream : binary file
        Left at the start of the data.
    hasher : Hasher, optional
        Updated with the bytes of the header.

    Raises
    ------
    HeaderError
        If the header is missing or has no end.
    """
    header = bytearray()
    for _ in range(_MOST_BLOCKS):
        block = stream.read(BLOCK)
        if hasher is not None:
            hasher.update(block)
        if not header and not block.startswith((b"SIMPLE  =", b"XTENSION=")):
            if block:
                msg = "is not a FITS file"
                raise HeaderError(msg)
            msg = "is empty (0 bytes)"
            raise CutShort(msg)
        if len(block) < BLOCK:
            msg = "is cut short inside its header"
            raise CutShort(msg)
        header += block
        if any(_is_end(block[start : start + CARD]) for start in range(0, BLOCK, CARD)):
            return bytes(header)
    msg = "has a header without an end"
    raise HeaderError(msg)


def cards_of(header: bytes) -> Iterator[bytes]:
    """Yield the cards of a header, 80 bytes each, up to its END."""
    for start in range(0, len(header), CARD):
        card = header[start : start + CARD]
        if _is_end(card):
            return
        yield card


def card_start(header: bytes, keyword: str) -> int:
    """Return the byte at which the first card of a keyword with a value begins; -1 for none."""
    begin = f"{keyword:<{_KEYWORD}}= ".encode("ascii")
    starts = range(0, len(header), CARD)
    return next((start for start in starts if header.startswith(begin, start)), -1)


def card_value(header: bytes, keyword: str) -> Value | None:
    """Return the value of the first card of a keyword; None if there is no such card or value.

    Parameters
    ----------
    header : bytes
        A header, or the first blocks of one.
    keyword : str
        Eight characters at most, without HIERARCH.
    """
    start = card_start(header, keyword)
    return None if start < 0 else parse(header[start + _VALUE : start + CARD])[0]


def long_texts(header: bytes) -> list[tuple[str, str]]:
    """Return keyword and value of all strings of a header, including long ones.

    Strings continued in CONTINUE cards (FITS standard 4.0, section 4.2.1.2) are joined.
    """
    texts: list[tuple[str, str]] = []
    goes_on = False
    for card in cards_of(header):
        if card[_KEYWORD:_VALUE] == b"= ":
            value, _ = parse(card[_VALUE:])
            goes_on = isinstance(value, str)
            if isinstance(value, str):
                texts.append((card[:_KEYWORD].decode("latin-1").rstrip(), value))
        elif goes_on and card.startswith(b"CONTINUE") and texts[-1][1].endswith("&"):
            keyword, begin = texts[-1]
            texts[-1] = keyword, begin[:-1] + str(parse(card[_KEYWORD:])[0])
    return texts


def texts_under(header: bytes, prefix: str) -> list[str]:
    """Return the texts whose keywords begin with a prefix, in the order of the header."""
    return [text for keyword, text in long_texts(header) if keyword.startswith(prefix)]


def parse(raw: bytes) -> tuple[Value | None, str]:
    """Return the value and the comment from the part of a card after ``=``.

    Parameters
    ----------
    raw : bytes
        Decoded as UTF-8 if valid (the standard says ASCII), else as Latin-1.

    Returns
    -------
    value : str, int, float, bool or None
        None if missing; a word that is neither logical nor a finite number is a string.
    comment : str
    """
    text = _text(raw)
    quoted = _QUOTED.match(text)
    if quoted:
        return quoted[1].replace("''", "'").rstrip(), (quoted[2] or "").strip()
    word, _, comment = text.partition("/")
    return _value(word.strip()), comment.strip()


def _is_end(card: bytes) -> bool:
    return card.startswith(b"END") and not card[3:].strip()


def _text(raw: bytes) -> str:
    try:
        text = raw.decode("utf-8")
    except UnicodeDecodeError:
        text = raw.decode("latin-1")
    return text if text.isprintable() else "".join(c if c.isprintable() else "?" for c in text)


def _value(word: str) -> Value | None:
    if word in ("T", "F"):
        return word == "T"
    try:
        return int(word)
    except ValueError:
        pass
    try:
        number = float(word.replace("D", "E"))
    except ValueError:
        return word or None
    return number if math.isfinite(number) else word
