"""The star catalogue that comes along: where it lies, and what tells one edition from another."""

import functools
import re
from pathlib import Path

TYCHO_PATH = Path(__file__).resolve().parents[3] / "config" / "catalogue" / "tycho2.fits"

_HEAD_BYTES = 8 * 2880
_STARS = 1


@functools.cache
def tycho_sum(path: Path = TYCHO_PATH) -> str:
    """Return the sum of its table as its header tells it; that stands for the content.

    Returns
    -------
    str
        ``none`` where the file is not there.
    """
    try:
        with open(path, "rb") as file:
            head = file.read(_HEAD_BYTES)
    except OSError:
        return "none"
    found = re.findall(rb"DATASUM = '(\d+)", head)
    return found[_STARS].decode() if len(found) > _STARS else "none"
