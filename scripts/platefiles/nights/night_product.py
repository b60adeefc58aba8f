"""The product of a night: its stack, or its registered subs if they are too few to stack."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from platefiles.fits.image_rows import mapped_images
from platefiles.fits.products_io import read_header
from platefiles.fits.streaming_writer import StreamedProduct
from platefiles.fits.tables import columns_hdu, read_columns, rows_of
from platefiles.integration.channel_cards import SubLevels
from platefiles.integration.combined_product import (
    OpenSubs,
    fill_tiles,
    raw_records,
    set_counts,
    square_of,
    subs_table,
)
from platefiles.integration.integrate_job import IntegrateNightJob
from platefiles.integration.integrate_tiles import Integration
from platefiles.integration.tiles import tiling
from platefiles.provenance.header_provenance import exposure_cards, making_cards
from platefiles.provenance.record import record_hdu
from platefiles.registration.registration_table import RegisteredSub, read_star_places
from platefiles.subs.calibrated_sub import SubRoom, unit_of
from platelib.registration.sub_state import ENOUGH_TO_REJECT, SubState

_MOST_OF_A_BYTE = 255


class NightProduct:
    """Writes the product of a night.

    With enough subs it holds their stack: ``SCI``, ``VAR``, ``WEIGHT`` (the sum of the weights),
    ``COUNT`` and ``CLIPPED``. With fewer it holds the subs themselves, calibrated, registered and
    levelled: ``SCI``, ``VAR`` and ``MASK``, a plane a sub. ``INPUTS`` lists all subs of the night.

    Parameters
    ----------
    path : path-like
    registered : sequence of RegisteredSub
        All subs of the night.
    shape : tuple of int
        ``(ny, nx)`` of the grid.
    job : IntegrateNightJob
    inputs : mapping of str to sequence of path-like
        Files by input name of the rule.
    """

    def __init__(
        self,
        path: str | Path,
        registered: Sequence[RegisteredSub],
        shape: tuple[int, int],
        job: IntegrateNightJob,
        inputs: Mapping[str, Sequence[str | Path]],
    ):
        self._path, self._registered, self._shape = path, registered, shape
        self._job, self._inputs = job, inputs

    def write(self, subs: OpenSubs, threads: int, memory_mb: float) -> None:
        """Write the product of the used subs.

        Parameters
        ----------
        subs : list of (RegisteredSub, Sub)
            Open ones.
        threads : int
            Tiles that are worked on at a time; it changes no bit.
        memory_mb : float
            Memory of its own that this may take, MB; it changes no bit.

        Raises
        ------
        ChangedFrame
            If a sub is not what was measured; nothing is left behind then.
        """
        unit = unit_of([sub.detector.gain for _, sub in subs], self._job.unit)
        is_stack = len(subs) >= ENOUGH_TO_REJECT
        with StreamedProduct(
            self._path, self._cards(subs, is_stack), self._images(len(subs), is_stack, unit)
        ) as product:
            if is_stack:
                self._fill_stack(product, subs, threads, memory_mb)
            elif subs:
                self._fill_subs(product, subs, threads, memory_mb)
            for _, sub in subs:
                sub.image.check_unchanged()
            raws = raw_records(self._inputs["raw"], self._registered, self._job.subs)
            named = {**self._inputs, "raw": raws}
            record = record_hdu("integrate_night", self._path, self._job.recorded, named)
            table = columns_hdu(self._table(subs), "INPUTS", of_image=unit)
            product.finish([table, record], threads=threads)

    def _cards(self, subs: OpenSubs, is_stack: bool) -> list[tuple]:
        times = [(row.facts["start_utc"], row.facts["exposure_s"] or None) for row, _ in subs]
        return [
            *making_cards("integrate_night", self._job.recorded),
            ("CHANNEL", self._job.channel),
            ("NIGHT", self._job.night),
            ("NSUBS", len(self._registered)),
            ("STACKED", is_stack),
            *exposure_cards(times),
        ]

    def _images(self, count: int, is_stack: bool, unit: str) -> dict[str, tuple]:
        """Return shape, kind of number, cards and unit of each image."""
        shape, square = self._shape, square_of(unit)
        if not is_stack:
            cube = (count, *shape)
            images: dict[str, tuple] = {
                "SCI": (cube, "f4", [], unit),
                "VAR": (cube, "f4", [], square),
            }
            return images | {"MASK": (cube, "u1", [], None)} if count else {}
        number = "u1" if count <= _MOST_OF_A_BYTE else "i2"
        sides = [("PLANE1", "low"), ("PLANE2", "high")]
        return {
            "SCI": (shape, "f4", [], unit),
            "VAR": (shape, "f4", [], square),
            "WEIGHT": (shape, "f4", [], None),
            "COUNT": (shape, number, [], None),
            "CLIPPED": ((2, *shape), number, sides, None),
        }

    def _fill_stack(
        self, product: StreamedProduct, subs: OpenSubs, threads: int, memory_mb: float
    ) -> None:
        stars = read_star_places(self._inputs["registration"][0])
        settings = self._job.settings.integration
        integration = Integration(subs, self._shape, settings, stars, threads, absolute=True)
        tiles = integration.tiling(threads, memory_mb)
        counted = fill_tiles(tiles, integration.stack, product, threads)
        for (row, _), tally, cores in zip(subs, *(part.tolist() for part in counted), strict=True):
            set_counts(row.facts, tally, cores, math.prod(self._shape))

    def _fill_subs(
        self, product: StreamedProduct, subs: OpenSubs, threads: int, memory_mb: float
    ) -> None:
        room = SubRoom()
        for rows, columns in tiling(len(subs), self._shape, threads, memory_mb):
            size = (len(subs), rows[1] - rows[0], columns[1] - columns[0])
            values, variances = (room.plane(name, size, np.float32) for name in ("SCI", "VAR"))
            mask = room.plane("MASK", size, np.uint8)
            for i, (row, sub) in enumerate(subs):
                out = (values[i], variances[i])
                sub.registered(row.transform, row.levels, rows, columns, out, room, mask[i])
            product.fill({"SCI": values, "VAR": variances, "MASK": mask}, rows, columns)

    def _table(self, subs: OpenSubs) -> dict[str, list]:
        levels = {row.facts["id"]: SubLevels.of(sub) for row, sub in subs}
        unknown = SubLevels(math.nan, math.nan, math.nan, 0.0)
        own = [levels.get(row.facts["id"], unknown) for row in self._registered]
        columns = {name: [getattr(one, name) for one in own] for name in SubLevels._fields}
        return subs_table(self._registered) | columns


@dataclass(frozen=True)
class NightFile:
    """A product of a night, opened to be merged.

    Attributes
    ----------
    path : Path
    night : str
    is_stack : bool
        Whether it holds a stack, or the subs themselves.
    rows : dict of str to dict
        Rows of ``INPUTS`` by id.
    """

    path: Path
    night: str
    is_stack: bool
    rows: dict[str, dict[str, Any]]

    @classmethod
    def of(cls, path: str | Path) -> "NightFile":
        """Open a product of `NightProduct`."""
        header = read_header(path)
        rows = rows_of(read_columns(path, "INPUTS"))
        by_id = {row["id"]: row for row in rows}
        return cls(Path(path), header["NIGHT"], bool(header["STACKED"]), by_id)

    @property
    def used(self) -> list[str]:
        """Ids of the subs that it is made of, in the order of its planes."""
        return [name for name, row in self.rows.items() if row["state"] == SubState.USED]

    def levels(self, sub_id: str) -> SubLevels:
        """Return the levels of the camera in a used sub."""
        return SubLevels(*(self.rows[sub_id][name] for name in SubLevels._fields))

    def images(self, *names: str) -> dict[str, np.ndarray]:
        """Map images, see `platefiles.fits.image_rows.mapped_images`."""
        return mapped_images(self.path, names)
