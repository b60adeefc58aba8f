"""The state of each sub, read from the product itself."""

from dataclasses import dataclass
from pathlib import Path
from typing import Any

from astropy.io import fits

from platefiles.core.errors import UserError
from platefiles.fits.products_io import has_image, read_header
from platefiles.fits.tables import read_columns, rows_of
from platefiles.integration.channel_subs import SUB_COLUMNS

_TABLES = ("SUBS", "TRANSFORMS", "INPUTS")
"""Tables that may have a row for each sub."""

_NEEDED = {"id", "name", "sha256", "exposure_s", "state", "reason"}
"""Columns by which such a table is known."""

_UNKNOWN = {"state": "", "reason": ""} | dict.fromkeys(
    ("exposure_s", "weight", "clipped_low", "clipped_high"), float("nan")
)


@dataclass(frozen=True)
class SubRow:
    """A sub in the table of a product.

    Attributes
    ----------
    channel, id, name, sha256, night : str
    exposure_s : float
    state, reason : str
        ``used``, ``measured``, or the reason for rejection.
    weight, clipped_low, clipped_high : float
        Relative weight and fractions; NaN if the product lacks them.
    """

    channel: str
    id: str
    name: str
    sha256: str
    night: str
    exposure_s: float
    state: str
    reason: str
    weight: float
    clipped_low: float
    clipped_high: float


def read_sub_rows(path: str | Path) -> list[SubRow]:
    """Read the subs of a product; empty if it lists none.

    Parameters
    ----------
    path : path-like
        A linear image, a channel, a registration or measures.

    Raises
    ------
    UserError
        If its table of subs cannot be read.
    """
    try:
        header = read_header(path)
        tables = (read_columns(path, name) for name in _TABLES if has_image(path, name))
        table = next((columns for columns in tables if columns.keys() >= _NEEDED), {})
        given = {"channel": header.get("CHANNEL", ""), "night": header.get("NIGHT", "")}
        return [_row(given | row) for row in rows_of(table)]
    except (ValueError, TypeError, LookupError, AttributeError, fits.VerifyError) as error:
        msg = f"{path}: its table of subs is damaged; make the file again from the raw frames"
        raise UserError(msg) from error


def _row(facts: dict[str, Any]) -> SubRow:
    known: dict[str, Any] = _UNKNOWN | facts
    kinds = SubRow.__annotations__
    return SubRow(**{name: kinds[name](known[name]) for name in SUB_COLUMNS})
