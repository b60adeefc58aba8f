"""Text on the console: only what prints, lines that end at words, and readers that leave early.

`Console` is the door through which every word of every verb goes; a verb only prints.
Standard library only, because the launcher shows its help with it.
"""

from __future__ import annotations

import os
import re
import textwrap
from collections.abc import Iterable
from contextlib import suppress
from typing import Any, TextIO, cast

from platefiles.core.safe_names import printable_lines

_LABEL = re.compile(r" *[^\s│├└]+ {2,}(?=\S)")
_STEM = re.compile("[ │├└─]*")
_GOES_ON = str.maketrans("├└─", "│  ")
"""What stands below the lines of a drawn tree where its text goes on."""

NARROWEST = 20
"""Lines are not folded to fewer columns than this."""


class Console:
    r"""A text stream that wraps long lines at words and escapes unprintable characters.

    File names, headers, records and logs may be anybody's. Nothing that is written here moves the
    cursor, changes colours or turns the direction of text: such a character appears as ``\uXXXX``.

    Parameters
    ----------
    stream : file-like
        Where the text goes.
    width : int or None
        Columns; None leaves lines as they are.
    keep_going : bool
        Whether the process goes on without its words once the reader has closed the pipe. If
        False, `write` and `flush` raise BrokenPipeError then.
    """

    def __init__(self, stream: TextIO, width: int | None, keep_going: bool = False) -> None:
        self._stream, self.width, self.keep_going = stream, width, keep_going
        with suppress(AttributeError, ValueError, OSError):  # a terminal that is not UTF-8
            cast(Any, stream).reconfigure(errors="backslashreplace")
        self._held = ""
        self._line_is_begun = self._reader_left = False

    @property
    def unfolded(self) -> Console:
        """A console on the same stream that leaves the length of lines to who writes them."""
        return Console(self._stream, None, self.keep_going)

    def __getattr__(self, name: str) -> Any:
        """Delegate all other attributes to the stream."""
        return getattr(self._stream, name)

    def write(self, text: str) -> int:
        """Write the lines that are complete; hold the rest until `flush` or the end of its line."""
        shown = printable_lines(text)
        if self.width is None:
            self._send(shown)
            return len(text)
        *lines, self._held = (self._held + shown).split("\n")
        for line in lines:
            self._send(line if self._line_is_begun else "\n".join(folded(line, self.width)))
            self._send("\n")
            self._line_is_begun = False
        return len(text)

    def writelines(self, texts: Iterable[str]) -> None:
        """Write each text, as `write` does."""
        for text in texts:
            self.write(text)

    def erase_line(self) -> None:
        """Clear the last line of a terminal and go back to its beginning."""
        self._send("\r\x1b[K")

    def flush(self) -> None:
        """Write what is held, as it is, and flush the stream."""
        if self._held:
            self._send(self._held)
            self._held, self._line_is_begun = "", True
        self._guarded(self._stream.flush)

    def _send(self, text: str) -> None:
        self._guarded(self._stream.write, text)

    def _guarded(self, act: Any, *words: str) -> None:
        if self._reader_left:
            return
        try:
            act(*words)
        except BrokenPipeError:
            if not self.keep_going:
                raise
            self._reader_left = True
            discard(self._stream)


def guarded(stream: Any) -> Any:
    """Return a stream that escapes what does not print: itself, if it is a console already.

    Parameters
    ----------
    stream : file-like or None
        None, where the stream was closed by who started this process, stays None.
    """
    if stream is None or isinstance(stream, Console):
        return stream
    return Console(stream, None, keep_going=True)


def discard(stream: Any) -> None:
    """Discard all further output of a stream, including what it has buffered."""
    nowhere = os.open(os.devnull, os.O_WRONLY)
    os.dup2(nowhere, stream.fileno())
    os.close(nowhere)


def console_width(stream: Any) -> int | None:
    """Return the columns of a console, or None where lines may be of any length.

    Parameters
    ----------
    stream : file-like
        The environment variable COLUMNS overrides the size of its terminal. A file or a pipe has
        no width, so that a program finds whole lines there.
    """
    wanted = os.environ.get("COLUMNS", "")
    if wanted.isdigit() and int(wanted):
        return max(int(wanted), NARROWEST)
    try:
        columns = os.get_terminal_size(stream.fileno()).columns if stream.isatty() else 0
    except (OSError, ValueError, AttributeError):
        return None
    return max(columns, NARROWEST) if columns else None


def folded(line: str, width: int | None) -> list[str]:
    """Return a line as lines of at most so many columns, broken between words only.

    A word that is longer stays whole, and so does a line that is nothing but an absolute path,
    which can then be copied. Lines after the first begin below the text that follows a label and
    two blanks, or are indented by two more than the first; lines of a drawn tree go on.

    Parameters
    ----------
    line : str
        Without line breaks.
    width : int or None
        Columns; None leaves the line as it is.
    """
    stem = _STEM.match(line)
    start = stem[0] if stem else ""
    text = line[len(start) :]
    if width is None or len(line) <= width or (text.startswith("/") and ": " not in text):
        return [line]
    label = _LABEL.match(line)
    indent = min(label.end() if label else len(start) + 2, width // 3)
    return textwrap.wrap(
        text,
        width,
        initial_indent=start,
        subsequent_indent=start.translate(_GOES_ON)[:indent].ljust(indent),
        expand_tabs=False,
        replace_whitespace=False,
        break_long_words=False,
        break_on_hyphens=False,
    )


def cut_at_word(text: str, width: int) -> str:
    """Return a text cut to a width with an ellipsis, after a word if one ends there.

    Parameters
    ----------
    text : str
    width : int
        Columns, the ellipsis included.
    """
    if len(text) <= width:
        return text
    kept = text[: max(width - 1, 0)]
    if text[len(kept)] != " " and " " in kept.strip():
        kept = kept[: kept.rindex(" ")]
    return kept.rstrip() + "…"


def show(lines: Iterable[str]) -> None:
    """Print each line immediately.

    Parameters
    ----------
    lines : iterable of str
        A line break inside of one is escaped: what a file says of itself makes no line of its own.
    """
    for line in lines:
        print(line.replace("\n", "\\n"), flush=True)
