"""Read the channels of a picture, and the table that names them."""

from collections.abc import Iterable, Mapping
from pathlib import Path

import numpy as np
from astropy.table import Table

from platefiles.channels.background_subtracted import CORE, read_flat_image
from platefiles.fits.checksums import DATA_SHA
from platefiles.fits.products_io import has_image, read_header, read_image
from platefiles.fits.tables import read_columns, rows_of
from platefiles.subs.saturated_cores import core_discs
from platelib.colour.channel_mapping import Weights, add_channel
from platelib.colour.star_cores import FULL, saturation_percent
from platelib.registration.sub_state import SubState


def needed_channels(weights: Weights) -> list[str]:
    """Return the channels of all rows, in order."""
    return list(dict.fromkeys(channel for row in weights.values() for channel in row))


def inputs_table(
    paths: Mapping[str, Path], weights: Weights, wavelengths: Mapping[str, float | None]
) -> Table:
    """Return one row per channel: its facts, its image's digest, its subs and their time span."""
    headers = [read_header(path) for path in paths.values()]
    known = [wavelengths.get(name) for name in paths]
    return Table(
        {
            "channel": list(paths),
            "colours": [" ".join(c for c, row in weights.items() if name in row) for name in paths],
            "wavelength_nm": [np.nan if value is None else float(value) for value in known],
            "image_sha256": [
                str(read_header(path, "SCI").get(DATA_SHA, "")) for path in paths.values()
            ],
            "subs": [int(header.get("NCOMBINE", 0)) for header in headers],
            "exposure_s": [float(header.get("EXPTIME", 0.0)) for header in headers],
            "begin_utc": [str(header.get("DATE-BEG", "")) for header in headers],
            "end_utc": [str(header.get("DATE-END", "")) for header in headers],
            "telescope": [str(header.get("TELESCOP", "")) for header in headers],
            "camera": [str(header.get("INSTRUME", "")) for header in headers],
        }
    )


def exposures_of_subs(paths: Iterable[Path]) -> list[tuple[str, float | None]]:
    """Return start and length of each sub of the channels."""
    rows = [
        row
        for path in paths
        if has_image(path, "INPUTS")
        for row in rows_of(read_columns(path, "INPUTS"))
    ]
    return [
        (row["start_utc"], row["exposure_s"] or None)
        for row in rows
        if row["state"] == SubState.USED
    ]


def map_planes(
    paths: Mapping[str, Path], skies: Mapping[str, Path], weights: Weights
) -> tuple[np.ndarray, str | None, np.ndarray | None]:
    """Blend the channels of all rows, a channel in memory at a time.

    Parameters
    ----------
    paths : mapping of str to Path
        Channels by name, in the order in which they are added.
    skies : mapping of str to Path
        Models of their skies, by name, where the gradient is to be subtracted.
    weights : Weights

    Returns
    -------
    planes : numpy.ndarray
        ``(n, ny, nx)`` float32, a plane for each row. A pixel that lacks one of the channels of a
        row is NaN there: the mean of the others would be another colour.
    unit : str or None
        Of all channels, if it is the same.
    cores : numpy.ndarray or None
        ``(ny, nx)`` uint8: how near stars are to saturation, the highest of all channels; see
        `platelib.colour.star_cores.saturation_percent`. None if no star is saturated.

    Raises
    ------
    ValueError
        If the channels differ in size.
    """
    planes: np.ndarray | None = None
    units, cores = [], None
    for name in (one for one in paths if any(one in row for row in weights.values())):
        image, header = read_flat_image(paths[name], skies.get(name))
        if planes is None:
            planes = np.empty((len(weights), *image.shape), dtype=np.float32)
        add_channel(image, name, weights, planes)
        units.append(header.get("BUNIT"))
        own = _core_percent(paths[name], image)
        if own is not None and own.any():
            cores = own if cores is None else np.maximum(cores, own, out=cores)
    if planes is None:
        msg = "there is nothing to blend"
        raise ValueError(msg)
    return planes, units[0] if len(set(units)) == 1 else None, cores


def _core_percent(path: Path, image: np.ndarray) -> np.ndarray | None:
    """Return the levels of a channel's star cores as percent of saturation.

    A line channel has no stars: their cores are filled from their surroundings.
    """
    header = read_header(path)
    if header.get("STEP") == "subtract_continuum":
        return None
    if has_image(path, "MASK"):
        return ((read_image(path, "MASK")[0] & CORE) > 0) * np.uint8(FULL)
    listed = core_discs(path, image.shape) * np.uint8(FULL)
    return np.maximum(saturation_percent(image, float(header.get("SATURATE", np.inf))), listed)
