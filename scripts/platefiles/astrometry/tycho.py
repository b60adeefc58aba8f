"""The path and the edition of the star catalogue that comes with platelog."""

import functools
from pathlib import Path

from platefiles.fits.hdu_layout import BrokenFits, read_blocks

TYCHO_PATH = Path(__file__).resolve().parents[3] / "config" / "catalogue" / "tycho2.fits"

_STARS = 1


@functools.cache
def tycho_sum(path: Path = TYCHO_PATH) -> str:
    """Return the checksum of the catalogue's table from its header, as the identity of its content.

    Returns
    -------
    str
        ``none`` if the file is missing.
    """
    try:
        blocks = read_blocks(path)
    except (OSError, BrokenFits):
        return "none"
    return (len(blocks) > _STARS and blocks[_STARS].text("DATASUM")) or "none"
