"""The values of the cards of a header, the size of its data, the shape of its image.

Odd headers bring a reason, in the words of a sentence about the file. Layout: FITS standard 4.0,
sections 3 and 4; compressed images: section 10.
"""

import math
import re

from platefiles.fits.header_reader import (
    HeaderError,
    Value,
    cards_of,
    parse,
)
from platefiles.fits.keywords import COMMENTED

MAX_SIDE_PX = 100_000
MAX_PIXELS = 500_000_000
"""Three times the largest sensor on sale; what claims more is damaged, or a trap."""
MOST_SQUEEZED = 1032
"""Deflate makes nothing smaller than by this factor (zlib's technical notes); nor does Rice."""

_PACKINGS = ("RICE_1", "RICE_ONE", "GZIP_1", "GZIP_2", "NOCOMPRESS")
_RICE = {"BLOCKSIZE": (None, 16, 32), "BYTEPIX": (None, 1, 2, 4)}
_BITPIX = (8, 16, 32, 64, -32, -64)
_TELLING = re.compile(
    r"(?i:kelvin|\bms\b|milli-?sec|\blocal\b)|\bLT\b|[\[(]K[\])]|\b(?:in|degrees?|deg\.?) K\b"
)
"""Comments that change what a value means: its unit, or the time zone."""

Cards = dict[str, Value]


def cards_in(header: bytes) -> Cards:
    """Return the values of a header by keyword, the first of each.

    The comment of GAIN is kept under ``/GAIN``, since it may be the only distinction between a
    setting and electrons per ADU. Comments that name a unit or local time are kept likewise. Of the
    HIERARCH cards only those on filters are kept, such as ``HIERARCH ESO INS FILT1 NAME``.
    """
    cards: Cards = {}
    for card in cards_of(header):
        if card[8:10] == b"= ":
            _take(card[:8], card[10:], cards)
        elif card.startswith(b"HIERARCH ") and b"FILT" in card.upper():
            words, _, value = card.partition(b"=")
            _take(b" ".join(words.upper().split()), value, cards)
    return cards


def data_bytes(cards: Cards) -> int:
    """Return the size of the data described by a header, in bytes, without padding.

    Raises
    ------
    HeaderError
        If BITPIX, GCOUNT or an axis is invalid.
    """
    bitpix, axes = cards.get("BITPIX"), _whole(cards, "NAXIS")
    if bitpix not in _BITPIX:
        msg = f"has an impossible BITPIX in its header ({_shown(bitpix)})"
        raise HeaderError(msg)
    if axes > 9:
        msg = f"has an impossible NAXIS in its header ({axes})"
        raise HeaderError(msg)
    if _whole(cards, "GCOUNT", 1) != 1:
        msg = f"has an impossible GCOUNT in its header ({_shown(cards['GCOUNT'])})"
        raise HeaderError(msg)
    pixels = math.prod(_whole(cards, f"NAXIS{n}") for n in range(1, axes + 1)) if axes else 0
    return abs(int(bitpix)) // 8 * (pixels + _whole(cards, "PCOUNT", 0))


def image_shape(cards: Cards) -> tuple[int, int]:
    """Return width and height of the image described by a header, plain or compressed.

    Raises
    ------
    HeaderError
        If it is not a single two-dimensional image.
    """
    is_table = str(cards.get("XTENSION", "")).strip() == "BINTABLE"
    prefix = "Z" if is_table and cards.get("ZIMAGE") is True else ""
    axes = _whole(cards, f"{prefix}NAXIS")
    planes = math.prod(_whole(cards, f"{prefix}NAXIS{n}") for n in range(3, min(axes, 9) + 1))
    if axes > 2 and planes != 1:
        kind = "a colour image" if axes == 3 and planes in (3, 4) else "a cube"
        msg = f"is {kind} ({planes} planes), where one plane is needed"
        raise HeaderError(msg)
    if not 2 <= axes <= 9:
        msg = f"holds no two-dimensional image (NAXIS = {axes})"
        raise HeaderError(msg)
    width, height = (_whole(cards, f"{prefix}NAXIS{n}") for n in (1, 2))
    sides_make_sense = 0 < width <= MAX_SIDE_PX and 0 < height <= MAX_SIDE_PX
    if not sides_make_sense or width * height > MAX_PIXELS:
        msg = f"has an impossible image size in its header ({width}x{height} px)"
        raise HeaderError(msg)
    if prefix:
        _check_tiles(cards, width, height)
    return width, height


def _check_tiles(cards: Cards, width: int, height: int) -> None:
    """Refuse a compressed image that contradicts its header or is unsafe to decompress.

    The decoders of HCOMPRESS and PLIO in astropy 8.0 write past their memory where the data are
    damaged, and that of Rice where its parameters are none of the standard's (FITS 4.0, table 37),
    which ends the process. Cameras and archives pack frames by Rice or gzip.
    """
    packing = str(cards.get("ZCMPTYPE", "")).strip()
    if packing not in _PACKINGS:
        msg = f"is packed by {packing or 'no known method'}: unpack it, or pack it by RICE_1"
        raise HeaderError(msg)
    across = _whole(cards, "ZTILE1", width) or width
    down = _whole(cards, "ZTILE2", 1) or 1
    tiles = math.ceil(width / across) * math.ceil(height / down)
    bitpix = cards.get("ZBITPIX")
    if (
        bitpix not in _BITPIX
        or max(across, down) > MAX_SIDE_PX
        or tiles != _whole(cards, "NAXIS2")
        or width * height * abs(int(bitpix)) // 8 > MOST_SQUEEZED * data_bytes(cards)
        or any(_parameter(cards, name) not in values for name, values in _RICE.items())
    ):
        msg = "has a compressed image that does not fit its header"
        raise HeaderError(msg)


def _parameter(cards: Cards, name: str) -> Value | None:
    """Return a parameter of the compression from the pairs ZNAMEn, ZVALn."""
    for n in range(1, 1000):
        if str(cards.get(f"ZNAME{n}", "")).strip().upper() == name:
            return cards.get(f"ZVAL{n}")
    return None


def _whole(cards: Cards, key: str, default: int | None = None) -> int:
    value = cards.get(key, default)
    if isinstance(value, bool) or not isinstance(value, int) or value < 0:
        msg = f"has an impossible {key} in its header ({_shown(value)})"
        raise HeaderError(msg)
    return value


def _shown(value: Value | None) -> str:
    return "missing" if value is None else repr(value)


def _take(keyword: bytes, rest: bytes, cards: Cards) -> None:
    key = keyword.rstrip().decode("latin-1").upper()
    if key in cards:
        return
    value, comment = parse(rest)
    if value is not None:
        cards[key] = value
        if key == "GAIN" or (key in COMMENTED and _TELLING.search(comment)):
            cards[f"/{key}"] = comment
