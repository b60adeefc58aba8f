"""Text of fixed columns, as blocks of characters: millions of rows without a loop over them."""

import gzip
import zlib
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt

from platefiles.core.errors import UserError

Characters = npt.NDArray[np.uint8]
Floats = npt.NDArray[np.float64]
Flags = npt.NDArray[np.bool_]

_READ_BYTES = 1 << 24
_NEWLINE, _RETURN, _BLANK, _POINT, _MINUS, _PLUS, _ZERO = b"\n\r .-+0"
_POWERS = 10.0 ** np.arange(20)


@dataclass(frozen=True)
class Rows:
    """Some rows of a file.

    Attributes
    ----------
    first_line : int
        Number of the first row in the file, from 1.
    text : numpy.ndarray
        ``(n, width)`` uint8, filled with blanks.
    length : numpy.ndarray
        ``(n,)`` int: characters of each row, without the end of line.
    """

    first_line: int
    text: Characters
    length: npt.NDArray[np.intp]


def rows_of(path: Path, width: int) -> Iterator[Rows]:
    """Yield the rows of a file, plain or gzip by its content, some 16 MB at a time.

    Raises
    ------
    UserError
        The file cannot be read, or its compressed data are damaged.
    """
    try:
        with path.open("rb") as raw:
            packed = raw.read(2) == b"\x1f\x8b"
        with gzip.open(path, "rb") if packed else path.open("rb") as source:
            rest, line = b"", 1
            while data := source.read(_READ_BYTES):
                end = data.rfind(b"\n") + 1
                if end:
                    rows = _split(rest + data[:end], line, width)
                    yield rows
                    line += rows.length.size
                    rest = data[end:]
                else:
                    rest += data
            if rest:
                yield _split(rest + b"\n", line, width)
    except (OSError, EOFError, zlib.error) as error:
        msg = f"{path}: the file of elements cannot be read: {error}"
        raise UserError(msg) from error


def _split(data: bytes, line: int, width: int) -> Rows:
    characters = np.frombuffer(data + b" " * width, dtype=np.uint8)
    ends = np.flatnonzero(characters[: len(data)] == _NEWLINE)
    starts = np.concatenate([[0], ends[:-1] + 1])
    length = ends - starts
    returned = (length > 0) & (characters[np.maximum(ends - 1, 0)] == _RETURN)
    length = length - returned
    text = np.lib.stride_tricks.sliding_window_view(characters, width)[starts]
    for k in np.flatnonzero(length < width).tolist():
        text[k, length[k] :] = _BLANK
    return Rows(line, text, length)


def numbers(text: Characters) -> tuple[Floats, Flags]:
    """Read decimal numbers, as ``float`` would.

    Parameters
    ----------
    text : numpy.ndarray
        ``(n, w)`` characters: blanks, a sign, at most 15 digits with one point or none, blanks.

    Returns
    -------
    values : numpy.ndarray
        ``(n,)``, NaN where blank or unreadable.
    sound : numpy.ndarray
        ``(n,)`` bool: a number, or blank.
    """
    count = text.shape[0]
    value, places = np.zeros(count), np.zeros(count, dtype=np.int8)
    begun, ended, point, digits, negative, wrong = (np.zeros(count, dtype=bool) for _ in range(6))
    for column in np.ascontiguousarray(text.T):
        digit = column - np.uint8(_ZERO)
        is_digit = digit < 10
        is_blank = column == _BLANK
        is_point = column == _POINT
        is_sign = (column == _MINUS) | (column == _PLUS)
        wrong |= ~(is_digit | is_blank | is_point | is_sign)
        wrong |= (ended & ~is_blank) | (is_sign & begun) | (is_point & point)
        negative |= column == _MINUS
        ended |= begun & is_blank
        begun |= ~is_blank
        value = np.where(is_digit, value * 10.0 + digit, value)
        places += is_digit & point
        point |= is_point
        digits |= is_digit
    sound = ~wrong & (digits | ~begun)
    value /= _POWERS[places]
    return np.where(sound & digits, np.where(negative, -value, value), np.nan), sound


def texts(text: Characters, strip: bool = True) -> np.ndarray:
    """Return columns as byte strings, ``(n,)``; ``strip`` removes blanks at both ends."""
    width = text.shape[1]
    joined = np.ascontiguousarray(text).view(f"S{width}").ravel()
    return np.char.strip(joined) if strip else joined
