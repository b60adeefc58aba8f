"""The subs of all channels of a picture as one table of its linear image."""

from collections.abc import Mapping
from pathlib import Path

import numpy as np

from platefiles.fits.products_io import has_image
from platefiles.fits.tables import read_columns

SUB_COLUMNS = {
    "channel": "channel",
    "id": "id of the sub",
    "name": "file inside the raw folder",
    "sha256": "SHA-256 of the raw file",
    "night": "night, noon to noon",
    "exposure_s": "exposure, s",
    "state": "used, or the reason for rejection",
    "reason": "reason as a sentence",
    "weight": "weight in the mean, relative to the largest",
    "clipped_low": "fraction of pixels rejected as too dark",
    "clipped_high": "fraction of pixels rejected as too bright",
}
"""Columns of the table ``SUBS`` of a linear image."""


def subs_of_channels(paths: Mapping[str, Path]) -> dict[str, np.ndarray]:
    """Return the subs of several channels as the columns ``SUB_COLUMNS``.

    Parameters
    ----------
    paths : mapping of str to Path
        Integrated channels by name; those without the table ``INPUTS`` add nothing.

    Returns
    -------
    dict of str to numpy.ndarray
        Empty if no channel has a table of subs.
    """
    parts: dict[str, list[np.ndarray]] = {name: [] for name in SUB_COLUMNS}
    for channel, path in paths.items():
        if has_image(path, "INPUTS"):
            columns = read_columns(path, "INPUTS")
            columns["channel"] = np.full(len(columns["id"]), channel)
            for name, part in parts.items():
                part.append(columns[name])
    return {name: np.concatenate(part) for name, part in parts.items() if part}
