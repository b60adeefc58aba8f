"""The product of ``solve_astrometry``: world coordinates of the grid, or the reason for failure.

The primary header has the world coordinates; ``STARS`` has a row for each star of the catalogue in
the field.
"""

from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from astropy.io import fits

from platefiles.fits.products_io import has_image, read_header
from platefiles.fits.tables import columns_hdu, read_columns
from platefiles.fits.wcs_cards import carried_cards
from platelib.astrometry.catalogue_stars import CatalogueStars
from platelib.astrometry.fit_wcs import INVERSE_MORE, inverse_terms
from platelib.astrometry.tan_sip import SkyMap
from platelib.numerics.polynomial_degree import count_terms

if TYPE_CHECKING:
    pass

STARS = "STARS"

STAR_COLUMNS = {
    "source": "name in the star catalogue",
    "ra": "right ascension at the epoch of the subs, deg",
    "dec": "declination at the epoch of the subs, deg",
    "x": "x by the solution, px of the grid, 0-based",
    "y": "y by the solution, px of the grid, 0-based",
    "found_x": "measured x, px; NaN: not found",
    "found_y": "measured y, px; NaN: not found",
    "flux": "flux in the reference sub, unit of its measures",
    "flags": "flags in the reference sub; -1: not found",
}
MAGNITUDE = "mag_"
"""What the columns of magnitudes begin with, the name of the band follows."""


def read_refusal(path: str | Path) -> str:
    """Return the reason why a field was not placed, as a sentence, or an empty text."""
    return str(read_header(path).get("NOTPLACE", ""))


def solution_cards(path: str | Path, planes: bool = False) -> list[tuple]:
    """Return the world coordinates of images on the grid, as cards; none if the field was refused.

    Parameters
    ----------
    path : path-like
        Product of ``solve_astrometry``.
    planes : bool
        Whether the image is a cube; its third axis is the number of the plane.
    """
    return carried_cards(read_header(path), planes)


def read_map(path: str | Path) -> SkyMap | None:
    """Return the fitted map of a solution."""
    header = read_header(path)
    if not header["PLACED"]:
        return None
    degree = int(header.get("A_ORDER", 1))
    plain = SkyMap(0.0, 0.0, 0.0, 0.0, (1.0, 0.0, 0.0, 1.0), degree, *_zeros(degree))
    a, b = _zeros(degree)
    for number, name in enumerate(plain.sip_terms()):
        terms = a if name.startswith("A") else b
        terms[3 + number // 2] = header.get(name, 0.0)
    cd = tuple(float(header[key]) for key in ("CD1_1", "CD1_2", "CD2_1", "CD2_2"))
    place = (header["CRVAL1"], header["CRVAL2"], header["CRPIX1"] - 1, header["CRPIX2"] - 1)
    return SkyMap(*place, cd, degree, a, b)  # type: ignore[arg-type]


def _zeros(degree: int) -> np.ndarray:
    return np.zeros((2, count_terms(degree)))


def world_cards(sky_map: SkyMap, shape: tuple[int, int]) -> list[tuple]:
    """Return a map as cards.

    Parameters
    ----------
    sky_map : SkyMap
    shape : tuple of int
        ``(ny, nx)`` of the grid.
    """
    kind = "-SIP" if sky_map.degree > 1 else ""
    cards: list[tuple] = [
        ("WCSAXES", 2),
        ("CTYPE1", f"RA---TAN{kind}"),
        ("CTYPE2", f"DEC--TAN{kind}"),
        ("CUNIT1", "deg"),
        ("CUNIT2", "deg"),
        ("CRPIX1", sky_map.x + 1),
        ("CRPIX2", sky_map.y + 1),
        ("CRVAL1", sky_map.ra),
        ("CRVAL2", sky_map.dec),
    ]
    names = ("CD1_1", "CD1_2", "CD2_1", "CD2_2")
    cards += zip(names, sky_map.cd, strict=True)
    cards.append(("RADESYS", "ICRS"))
    if sky_map.degree < 2:
        return cards
    inverse = inverse_terms(sky_map, shape)
    for name, degree in (("A", 0), ("B", 0), ("AP", INVERSE_MORE), ("BP", INVERSE_MORE)):
        cards.append((f"{name}_ORDER", sky_map.degree + degree))
    return [*cards, *sky_map.sip_terms().items(), *inverse.items()]


def stars_hdu(stars: CatalogueStars, columns: Mapping[str, np.ndarray]) -> fits.BinTableHDU:
    """Return the table of the catalogue's stars in the field.

    Parameters
    ----------
    stars : CatalogueStars
    columns : mapping
        The columns from x to flags of ``STAR_COLUMNS``, one value per star.
    """
    bands = {f"{MAGNITUDE}{band}": column for band, column in stars.magnitudes.items()}
    about = {name: "magnitude of the catalogue" for name in bands}
    every = {"source": stars.identity, "ra": stars.ra, "dec": stars.dec, **columns, **bands}
    return columns_hdu(every, STARS, {**STAR_COLUMNS, **about})


def read_stars(path: str | Path) -> dict[str, np.ndarray]:
    """Return the catalogue's stars in the field, by column; none if the field was refused."""
    return read_columns(path, STARS) if has_image(path, STARS) else {}
