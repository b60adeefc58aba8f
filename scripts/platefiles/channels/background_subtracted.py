"""Channels without the gradient of their sky, from the model of `subtract_gradient`.

What is stored is the model, a mesh of some hundred nodes. An image without it is one subtraction
away from the channel, while storing it would take as much disk as the channel itself.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from platefiles.fits.checked_read import check_product
from platefiles.fits.products_io import has_image, image_hdu, map_image, read_header, read_image
from platefiles.fits.tables import columns_hdu, read_columns
from platefiles.fits.wcs_cards import carried_cards
from platefiles.subs.saturated_cores import core_discs
from platelib.background.surface import Lattice, SkySurface
from platelib.colour.star_cores import saturated_cores
from platelib.detection.star_table import STAR

NO_DATA, NO_OTHER_DATA, CORE = 1, 2, 4
"""Values of ``MASK``: no data; none in the channel that was subtracted; a saturated core."""

_HANDED_ON = (
    "NCOMBINE", "EXPTIME", "TIMESYS", "DATE-OBS", "DATE-BEG", "DATE-END", "DATE-AVG", "MJD-OBS",
    "MJD-BEG", "MJD-END", "MJD-AVG", "CHANNEL", "OBJECT", "FILTER", "NSUBS",
    "WAVELEN", "INSTRUME", "TELESCOP", "XPIXSZ", "FOCALLEN", "SATURATE",
    "OBSGEO-B", "OBSGEO-L", "OBSGEO-H",
)  # fmt: skip


@dataclass(frozen=True)
class FlatChannel:
    """A channel whose sky has no gradient.

    Attributes
    ----------
    image : numpy.ndarray
        ``(ny, nx)`` float32.
    variance : numpy.ndarray
        ``(ny, nx)`` float32, of any byte order: mapped from the file as long as it is that.
    unit : str or None
    noise_factor : float
        ``NOISCORR``: noise of large sums divided by the noise from the variance.
    cores : numpy.ndarray
        ``(ny, nx)`` bool: saturated cores of stars, where the image is limited by the sensor.
    """

    image: np.ndarray
    variance: np.ndarray
    unit: str | None
    noise_factor: float
    cores: np.ndarray


def read_sky(path: str | Path) -> SkySurface:
    """Read the surface of a model of the sky."""
    values, header = read_image_as_doubles(path, "SKY")
    errors, _ = read_image_as_doubles(path, "ERROR")
    shape = int(header["GRIDNY"]), int(header["GRIDNX"])
    return SkySurface(Lattice(shape, int(header["NODEPX"])), values, errors)


def read_image_as_doubles(path: str | Path, extname: str) -> tuple[np.ndarray, Mapping[str, Any]]:
    """Read a float64 image at full precision; `read_image` converts to float32."""
    from astropy.io import fits

    check_product(path, extname)
    with fits.open(path, memmap=False) as hdus:
        data = np.ascontiguousarray(hdus[extname].data, dtype=np.float64)
        return data, hdus[extname].header.copy()


def read_stars(path: str | Path) -> np.ndarray:
    """Read the stars of a channel from the model of its sky, as dtype `STAR`."""
    columns = read_columns(path, "STARS")
    stars = np.empty(len(columns["x"]), dtype=STAR)
    for name in STAR.names or ():
        stars[name] = columns[name]
    return stars


def read_flat_image(
    path: str | Path, path_to_sky: str | Path | None
) -> tuple[np.ndarray, Mapping[str, Any]]:
    """Read the image of a channel and subtract the gradient of its sky, unless done already.

    The sky keeps its mean level.

    Parameters
    ----------
    path : path-like
        Integrated channel, or the product of a later step.
    path_to_sky : path-like or None
        Model of its sky; None leaves the image as it is.
    """
    image, header = read_image(path)
    if path_to_sky is not None and read_header(path).get("STEP", "integrate") == "integrate":
        from platelib.background.subtract_surface import subtract_surface  # a compiled kernel

        subtract_surface(image, read_sky(path_to_sky))
    return image, header


def read_flat_channel(path: str | Path, path_to_sky: str | Path) -> FlatChannel:
    """Read a channel with its variance and subtract the gradient of its sky, unless done already.

    The cores come from the product's ``MASK`` if it has one, else from the saturation level and the
    list of cores.
    """
    image, header = read_flat_image(path, path_to_sky)
    variance = map_image(path, "VAR")
    primary = read_header(path)
    factor = float(primary.get("NOISCORR", 1.0))
    if has_image(path, "MASK"):
        cores = (read_image(path, "MASK")[0] & CORE) > 0
    else:
        cores = saturated_cores(image, float(primary.get("SATURATE", np.inf)))
        cores |= core_discs(path, image.shape)
    return FlatChannel(image, variance, header.get("BUNIT"), factor, cores)


def square_unit(unit: str | None) -> str | None:
    """Return the unit of the variance for a unit of the image."""
    if unit is None:
        return None
    return "adu2" if unit == "adu" else f"({unit})2"


def handed_on_cards(path: str | Path) -> list[tuple]:
    """Return the cards of a channel that also apply to products made from it."""
    header = read_header(path)
    return [(key, header[key]) for key in _HANDED_ON if key in header]


def handed_on_place(path: str | Path) -> list[tuple]:
    """Return the world coordinates of a channel as cards, for images made from it."""
    return carried_cards(read_header(path, "SCI"))


def handed_on_planes(path: str | Path) -> list:
    """Return the HDUs of a channel that also apply to products made from it: counts and subs."""
    hdus = []
    if has_image(path, "COUNT"):
        count, header = read_image(path, "COUNT")
        hdus.append(image_hdu(count, "COUNT", carried_cards(header)))
    if has_image(path, "CLIPPED"):
        clipped, header = read_image(path, "CLIPPED")
        planes = [("PLANE1", "low"), ("PLANE2", "high"), *carried_cards(header, planes=True)]
        hdus.append(image_hdu(clipped, "CLIPPED", planes))
    if has_image(path, "INPUTS"):
        hdus.append(columns_hdu(read_columns(path, "INPUTS"), "INPUTS"))
    return hdus
