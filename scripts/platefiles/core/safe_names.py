"""Names that are safe as file names, wildcards and shell words, and escapes for the others."""

import functools
import hashlib
import os
import re

_UNSAFE = re.compile(r"[^A-Za-z0-9]+")
_ENDING = re.compile(r"\.(fits|fit|fts)(\.(fz|gz))?$", re.IGNORECASE)
_ESCAPE = {"\\": "\\\\", "\t": "\\t", "\n": "\\n", "\r": "\\r"}
_UNESCAPE = {value[1]: key for key, value in _ESCAPE.items()}
_ESCAPED = re.compile(r"\\(u[0-9a-f]{4}|U[0-9a-f]{8}|.)", re.DOTALL)


def digest(text: str, length: int) -> str:
    """Return the first `length` hex digits of the SHA-256 of a text, undecodable bytes included."""
    return hashlib.sha256(text.encode("utf-8", "surrogateescape")).hexdigest()[:length]


@functools.lru_cache(4096)
def slug(text: str, longest: int = 40) -> str:
    """Return a lower-case name of letters, digits and `_`; a long name is cut and gets a digest."""
    base = _UNSAFE.sub("_", text).strip("_").lower()
    if len(base) <= longest:
        return base
    return f"{base[: longest - 5].rstrip('_')}_{digest(base, 4)}"


def stem_of(name_in_folder: str) -> str:
    """Return the base name of a raw frame without extension, compressed or not."""
    return _ENDING.sub("", os.path.basename(name_in_folder))


def frame_id(name_in_folder: str) -> str:
    """Return the id of a raw frame: readable, safe, unique for its path inside the raw folder."""
    stem = stem_of(name_in_folder)
    base = _UNSAFE.sub("_", stem).strip("_")[:40].rstrip("_") or "frame"
    return f"{base}_{digest(name_in_folder, 8)}"


def escape(text: str) -> str:
    r"""Make a text printable on one line: `\t`, `\n`, `\r`, `\\`, `\uXXXX` or `\UXXXXXXXX`.

    Bytes of a file name that are not UTF-8 (surrogates in Python) become `\udcXX`.
    """
    if text.isprintable() and "\\" not in text:
        return text
    return "".join(_ESCAPE.get(c) or (c if c.isprintable() else _code(c)) for c in text)


def printable(text: str) -> str:
    r"""Escape the unprintable characters of a line; backslashes stay unchanged.

    Names of frames are escaped already; other texts of files are untrusted.
    """
    if text.isprintable():
        return text
    return "".join(c if c.isprintable() else escape(c) for c in text)


def printable_lines(text: str) -> str:
    r"""Escape the unprintable characters of a text as `printable` does, except `\n`.

    Nothing in the result moves a cursor, changes a colour or turns the direction of writing.
    """
    if text.isprintable():
        return text
    return "\n".join(printable(line) for line in text.split("\n"))


def unescape(text: str) -> str:
    """Undo `escape`."""
    return _ESCAPED.sub(_character, text) if "\\" in text else text


def _code(character: str) -> str:
    code = ord(character)
    return f"\\u{code:04x}" if code < 0x10000 else f"\\U{code:08x}"


def _character(match: re.Match[str]) -> str:
    word = match[1]
    return chr(int(word[1:], 16)) if len(word) > 1 else _UNESCAPE.get(word, word)
