"""Recognise sensors with a colour filter array, by the header of a frame.

Taken for monochrome, the mosaic of such a sensor gives a picture that looks right from afar and
measures wrongly everywhere. So whatever speaks of a filter array counts, unless the value says
that there is none.
"""

import re
from collections.abc import Mapping

from platefiles.fits.header_reader import Value
from platefiles.fits.keywords import COLOUR_FLAGS, COLOUR_OFFSETS, COLOUR_PATTERNS

_MONOCHROME = re.compile(
    r"|none|no|n|false|f|off|0+(\.0*)?|null|nil|n/?a|undefined|unknown|raw\d*|y\d+|l|lum\w*"
    r"|(?:mono|gr[ae]y|bw|b&w|panchromatic).*"
)


def colour_evidence(cards: Mapping[str, Value]) -> str:
    """Return the card that indicates a colour filter array, such as ``BAYERPAT = 'RGGB'``.

    Parameters
    ----------
    cards : mapping
        Value by keyword. BAYERPAT and similar cards hold the pattern; COLORCCD is nonzero for
        colour (SBFITSEXT 1.0). Offsets of the pattern count unless another card says that the
        sensor is monochrome.

    Returns
    -------
    str
        Empty for a monochrome sensor or without such a card.
    """
    others = [key for key in (*COLOUR_PATTERNS, *COLOUR_FLAGS) if key in cards]
    for key in others:
        if not _is_monochrome(cards[key]):
            return f"{key} = {cards[key]!r}"
    offset = next((key for key in COLOUR_OFFSETS if key in cards), "")
    return f"{offset} = {cards[offset]!r}" if offset and not others else ""


def _is_monochrome(value: Value) -> bool:
    return bool(_MONOCHROME.fullmatch(str(value).strip().lower()))
