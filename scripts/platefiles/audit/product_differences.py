"""Compare two products: images by plane, tables by column, headers by card."""

from collections.abc import Collection, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from astropy.io import fits

from platefiles.core.errors import UserError
from platefiles.fits.image_rows import Plane
from platefiles.picture.picture_files import lines_of
from platefiles.picture.picture_source import (
    FULL_SCALE,
    PictureFile,
    colours_of,
    is_picture,
    picture_shape,
)
from platefiles.provenance.record import EXTNAME as RECORD
from platelib.picture.image_difference import (
    ByRows,
    Difference,
    Overlap,
    PlanePart,
    difference,
)
from platelib.picture.pixels import Pixels

_PROOFS = ("CHECKSUM", "DATASUM", "DATASHA", "DATABLK", "HEADSHA")


@dataclass(frozen=True)
class PlaneDifference:
    """The difference of two images of the same plane.

    Attributes
    ----------
    name : str
        Name of the HDU, followed by the name of the plane if it has several: ``CLIPPED low``.
    values : Difference
        In the unit of the image.
    in_noise : Difference or None
        In units of the first image's noise; None without a variance.
    """

    name: str
    values: Difference
    in_noise: Difference | None = None


@dataclass(frozen=True)
class TableDifference:
    """The difference of two tables of the same name.

    Attributes
    ----------
    name : str
    rows : tuple of int
        Rows of the first and of the second.
    columns : tuple of str
        Columns that differ, or that only one table has.
    """

    name: str
    rows: tuple[int, int]
    columns: tuple[str, ...]

    @property
    def same(self) -> bool:
        """Whether the tables are equal."""
        return not self.columns and self.rows[0] == self.rows[1]


@dataclass(frozen=True)
class CardDifference:
    """A card that differs; None if a header lacks it."""

    hdu: str
    keyword: str
    first: Any
    second: Any


@dataclass(frozen=True)
class ProductDifference:
    """The differences of two products.

    Attributes
    ----------
    planes : tuple of PlaneDifference
        Every plane common to both.
    tables : tuple of TableDifference
        Every table common to both.
    cards : tuple of CardDifference
        Cards that differ, without checksums.
    one_sided : tuple of str
        HDUs that one product lacks, or whose shapes differ, in words.
    """

    planes: tuple[PlaneDifference, ...]
    tables: tuple[TableDifference, ...]
    cards: tuple[CardDifference, ...]
    one_sided: tuple[str, ...]

    @property
    def same_data(self) -> bool:
        """Whether all pixels and tables are equal."""
        planes_alike = all(plane.values.differing == 0 for plane in self.planes)
        return planes_alike and all(table.same for table in self.tables) and not self.one_sided


def compare_files(
    first: str | Path,
    second: str | Path,
    left_out: Collection[str] = (),
    common: Overlap | None = None,
) -> ProductDifference:
    """Compare two FITS products, two pictures, or two drawings.

    Parameters
    ----------
    first, second : path-like
        Both of one kind; the values of pictures are fractions of full scale.
    left_out : collection of str
        Names of images whose pixels are not compared.
    common : Overlap, optional
        The area in which images of FITS products are compared, if not everywhere.

    Raises
    ------
    UserError
        If a file cannot be read as the kind that its name says.
    """
    try:
        if is_picture(first):
            return _compare_pictures(first, second)
        return compare_products(first, second, left_out, common)
    except (UserError, OSError):
        raise
    except Exception as error:  # a reader may raise anything for a file that is not as it claims
        what = f"{type(error).__name__}: {error}"
        msg = f"{first} and {second} cannot be compared ({what}); name two whole products of a run"
        raise UserError(msg) from error


def _compare_pictures(first: str | Path, second: str | Path) -> ProductDifference:
    if Path(first).suffix == ".svg":
        alike = lines_of(first) == lines_of(second)
        return ProductDifference((), (), (), () if alike else ("other lines are drawn",))
    shapes = [picture_shape(file) for file in (first, second)]
    if shapes[0] != shapes[1]:
        return ProductDifference((), (), (), (f"{_size(shapes[0])} and {_size(shapes[1])} pixels",))
    return ProductDifference(compare_colours(PictureFile(first), PictureFile(second)), (), (), ())


def compare_colours(first: Pixels, second: Pixels) -> tuple[PlaneDifference, ...]:
    """Compare two pictures of one shape, colour by colour, in fractions of full scale."""
    pairs = zip(("red", "green", "blue"), colours_of(first), colours_of(second), strict=True)
    return tuple(
        PlaneDifference(name, difference(one, other, unit=1 / FULL_SCALE))
        for name, one, other in pairs
    )


def compare_products(
    first: str | Path,
    second: str | Path,
    left_out: Collection[str] = (),
    common: Overlap | None = None,
) -> ProductDifference:
    """Compare two FITS products, but for their records, which tell why they differ.

    Parameters
    ----------
    first, second : path-like
        Products; the HDUs are matched by name.
    left_out : collection of str
        Names of images whose pixels are not compared.
    common : Overlap, optional
        The area in which images are compared that have the sizes of its images.
    """
    planes: list[PlaneDifference] = []
    tables: list[TableDifference] = []
    cards: list[CardDifference] = []
    one_sided: list[str] = []
    with fits.open(first, memmap=False) as ones, fits.open(second, memmap=False) as others:
        by_name, by_other = (
            {_name(hdu): hdu for hdu in hdus if hdu.name != RECORD} for hdus in (ones, others)
        )
        for name in dict.fromkeys([*by_name, *by_other]):
            one, other = by_name.get(name), by_other.get(name)
            if one is None or other is None:
                one_sided.append(f"{name} is in the {'second' if one is None else 'first'} only")
                continue
            cards += _cards(name, one.header, other.header)
            if isinstance(one, fits.BinTableHDU) and isinstance(other, fits.BinTableHDU):
                tables.append(_compare_tables(name, one.data, other.data))
            elif common is not None and common.shapes == (one.shape[-2:], other.shape[-2:]):
                if name not in left_out:
                    noise = _noise(name, by_name, common.first)
                    planes += _compare_images(name, one, other, noise, common)
            elif one.shape != other.shape:
                one_sided.append(f"{name}: {_size(one.shape)} and {_size(other.shape)} pixels")
            elif one.shape and name not in left_out:
                planes += _compare_images(name, one, other, _noise(name, by_name))
    return ProductDifference(tuple(planes), tuple(tables), tuple(cards), tuple(one_sided))


def _noise(
    name: str, hdus: Mapping[str, Any], part: tuple[slice, slice] | None = None
) -> ByRows | None:
    """Return the noise of an image, in a part of it if given; None if unknown.

    Raises
    ------
    ValueError
        If the image of variances has another shape.
    """
    if name != "SCI" or "VAR" not in hdus:
        return None
    if hdus["VAR"].shape != hdus[name].shape:
        sizes = " and VAR ".join(_size(hdus[one].shape) for one in (name, "VAR"))
        msg = f"{name} has {sizes} pixels"
        raise ValueError(msg)
    noise = _Noise(hdus["VAR"])
    return noise if part is None else PlanePart(noise, part)


class _Noise(Plane):
    """The standard deviations of an image of variances."""

    def __getitem__(self, rows: slice) -> np.ndarray:
        return np.sqrt(super().__getitem__(rows))


def _name(hdu: Any) -> str:
    return hdu.name or "PRIMARY"


def _size(shape: tuple[int, ...]) -> str:
    return " x ".join(map(str, reversed(shape)))


def plane_names(name: str, header: fits.Header, count: int) -> list[str]:
    """Name the planes of a cube: by its ``PLANEn`` or ``MAPn`` cards, else by number.

    Parameters
    ----------
    name : str
        Name of the HDU.
    header : astropy.io.fits.Header
    count : int
        Number of planes.
    """
    words = []
    for number in range(1, count + 1):
        mapped = str(header.get(f"MAP{number}", number)).partition(":")[0]
        words.append(f"{name} {header.get(f'PLANE{number}', mapped)}")
    return words


def _compare_images(
    name: str, one: Any, other: Any, noise: ByRows | None, common: Overlap | None = None
) -> Iterator[PlaneDifference]:
    axes = len(one.shape)
    if axes not in (2, 3):
        yield PlaneDifference(name, difference(one.data, other.data))
        return
    names = plane_names(name, one.header, one.shape[0]) if axes == 3 else [name]
    for number, plane in enumerate(names):
        index = number if axes == 3 else None
        first: ByRows = Plane(one, index)
        second: ByRows = Plane(other, index)
        if common is not None:
            first, second = PlanePart(first, common.first), PlanePart(second, common.second)
        in_noise = None if noise is None or axes == 3 else difference(first, second, noise)
        yield PlaneDifference(plane, difference(first, second), in_noise)


def _compare_tables(name: str, one: Any, other: Any) -> TableDifference:
    names = list(dict.fromkeys([*one.names, *other.names]))
    rows = (len(one), len(other))
    shared = set(one.names) & set(other.names)
    differ = tuple(c for c in names if c not in shared or not _same_column(one[c], other[c]))
    return TableDifference(name, rows, differ)


def _same_column(one: np.ndarray, other: np.ndarray) -> bool:
    one, other = np.asarray(one), np.asarray(other)
    numeric = one.dtype.kind in "fiub" and other.dtype.kind in "fiub"
    if one.dtype.kind == "O" or other.dtype.kind == "O":  # columns of variable length
        return len(one) == len(other) and all(map(np.array_equal, one, other))
    return np.array_equal(one, other, equal_nan=numeric)


def _cards(name: str, one: fits.Header, other: fits.Header) -> Iterator[CardDifference]:
    for keyword in dict.fromkeys([*one, *other]):
        values = (one.get(keyword), other.get(keyword))
        if keyword not in (*_PROOFS, "", "COMMENT", "HISTORY") and values[0] != values[1]:
            yield CardDifference(name, keyword, *values)
