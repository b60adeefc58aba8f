"""The nights of a channel that were integrated on their own, ready to be merged."""

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from astropy.io import fits

from platefiles.fits.tables import columns_hdu
from platefiles.integration.channel_cards import SubLevels
from platefiles.integration.combined_product import COUNTED, OpenSubs
from platefiles.nights.night_product import NightFile
from platefiles.nights.samples import (
    NightStack,
    OpenSub,
    Sample,
    StoredSub,
    local_weight,
)
from platefiles.registration.registration_table import RegisteredSub
from platefiles.settings.integration import Stacking
from platelib.registration.frame_selection import absolute_weight
from platelib.registration.sub_state import SubState

NIGHT_COLUMNS = {
    "night": "night, noon to noon",
    "subs": "number of subs in the stack",
    "exposure_s": "total exposure, s",
    "fwhm_px": "median FWHM of the stars, px of the grid",
    "noise_rate": "sky noise, unit of the image",
    "weight": "share of the weights of all nights and subs",
    "clipped_low": "fraction of pixels rejected as too dark among nights",
    "clipped_high": "fraction of pixels rejected as too bright among nights",
    "star_cores": "star cores with data",
    "cores_rejected": "fraction of the pixels of star cores rejected among nights",
}
"""Columns of the table ``NIGHTS`` of a channel."""


class NightsOfChannel:
    """The products of the nights of a channel; false if there is none.

    Parameters
    ----------
    paths : sequence of path-like
        Products of ``integrate_night``.
    registered : sequence of RegisteredSub
        All subs of the channel. What integrating a night found of its subs is written to them: a
        sub that had changed since it was measured, and what was rejected.
    """

    def __init__(self, paths: Sequence[str | Path], registered: Sequence[RegisteredSub]):
        self._files = [NightFile.of(path) for path in paths]
        self._registered = registered
        by_id = {row.facts["id"]: row for row in registered}
        for file in self._files:
            for sub_id, own in file.rows.items():
                _take_over(by_id[sub_id].facts, own)

    def __len__(self) -> int:
        """Return the number of nights."""
        return len(self._files)

    @property
    def lights(self) -> int:
        """Number of the subs of these nights, used or not."""
        return sum(len(file.rows) for file in self._files)

    @property
    def levels(self) -> dict[str, SubLevels]:
        """Levels of the camera by id of the used subs."""
        return {name: file.levels(name) for file in self._files for name in self._used(file)}

    def samples(self, subs: OpenSubs, settings: Stacking, shape: tuple[int, int]) -> list[Sample]:
        """Return what is to be merged, in the order of nights and of subs.

        Parameters
        ----------
        subs : list of (RegisteredSub, Sub)
            Open subs of the other nights.
        settings : Stacking
        shape : tuple of int
            ``(ny, nx)`` of the grid.
        """
        weights, found = settings.weights, list[Sample]()
        for file in self._files:
            rows = self._used(file)
            if file.is_stack and rows:
                alone = tuple(absolute_weight(row.facts, weights) for row in rows.values())
                found.append(NightStack(file, list(rows.values()), alone))
            elif not file.is_stack:
                found += [
                    StoredSub(
                        local_weight(rows[name], file.levels(name).gain, weights, shape),
                        file,
                        plane,
                    )
                    for plane, name in enumerate(file.used)
                    if name in rows
                ]
        found += [
            OpenSub(local_weight(row, sub.detector.gain, weights, shape), sub) for row, sub in subs
        ]
        return sorted(found, key=_place)

    def row(self, sample: Sample) -> dict[str, Any]:
        """Return the row of a stack in the table of nights, without what was rejected."""
        return {
            "night": sample.night,
            "subs": len(sample.members),
            "exposure_s": float(sum(row.facts["exposure_s"] for row in sample.members)),
            "fwhm_px": float(f"{sample.width_px:.5g}"),
            "noise_rate": float(f"{sample.noise:.6g}"),
            "weight": sample.full_weight,
        }

    def table(self, rows: Sequence[dict[str, Any]], total: float) -> fits.BinTableHDU:
        """Return the table of the merged stacks.

        Parameters
        ----------
        rows : sequence of dict
            From `row`, with what was rejected.
        total : float
            Sum of the weights of all samples.
        """
        for row in rows:
            row["weight"] = float(f"{row['weight'] / total:.6g}")
        columns = {name: [row[name] for row in rows] for name in NIGHT_COLUMNS}
        return columns_hdu(columns, "NIGHTS", NIGHT_COLUMNS)

    def _used(self, file: NightFile) -> dict[str, RegisteredSub]:
        """Return the subs of a night that the channel uses, by id."""
        known = set(file.used)
        return {
            row.facts["id"]: row
            for row in self._registered
            if row.facts["id"] in known and row.facts["state"] == SubState.USED
        }


def _take_over(row: dict[str, Any], own: Mapping[str, Any]) -> None:
    """Write what integrating its night found of a sub into its row of the channel."""
    for name in COUNTED:
        row[name] = own[name]
    if row["state"] == SubState.USED and own["state"] != SubState.USED:
        row["weight"] = 0.0
        for name in ("state", "reason", "sha256"):
            row[name] = own[name]


def _place(sample: Sample) -> tuple[str, str, str]:
    """Sort key: nights in order, and the subs of a night by their start."""
    first = sample.members[0].facts
    return sample.night, first["start_utc"], first["id"]
