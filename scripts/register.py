"""Register the subs of a channel's night: transform, brightness and sky of each."""

import json
from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from platefiles.config.lock_file import Lock, lock_text, read_lock
from platefiles.core.errors import UserError
from platefiles.core.provisional import held_back
from platefiles.fits.products_io import write_product
from platefiles.jobs.job_log import job_log, log
from platefiles.provenance.header_provenance import making_cards
from platefiles.provenance.record import measured_alone, read_record, record_hdu
from platefiles.registration.match_subs import SubMatcher, common_stars
from platefiles.registration.registration_table import (
    blank_row,
    fill_levels,
    fill_transform,
    stars_hdu,
    transforms_hdu,
)
from platefiles.settings.integration import Levelling
from platefiles.settings.job import JobSettings, StepJob
from platefiles.settings.registration import Registration
from platefiles.subs.measures import MeasuredSub, read_measures
from platefiles.subs.saturated_cores import cores_of_subs_hdu, on_grid
from platefiles.subs.saturation_levels import with_agreed_levels
from platelib.calibration.saturation_level import NO_CORES
from platelib.registration.frame_selection import counted, leave_out
from platelib.registration.match import NoMatch
from platelib.registration.neighbour_free_flux import Aperture, ReferenceLight, per_second
from platelib.registration.photometric_scale import ReferenceSky
from platelib.registration.sub_state import Cause, SubState
from platelib.registration.transform_fit import Match

SKY_DEGREES = {"constant": 0, "plane": 1, "quadratic": 2}
_FEWEST_FOR_BRIGHTNESS = 3


class _Settings(JobSettings):
    registration: Registration
    integration: Levelling


class Job(StepJob):
    """The job of registration: settings, channel and night."""

    settings: _Settings
    channel: str
    night: str
    calibrated: bool


def register(
    path_to_measures: str | Path,
    paths_to_references: Sequence[str | Path],
    path_to_lock: str | Path,
    path_to_registration: str | Path,
    job: Mapping[str, Any],
) -> None:
    """Write the registration of a channel's night.

    Parameters
    ----------
    path_to_measures : path-like
        Measures of the night.
    paths_to_references : sequence of path-like
        Measures among which the reference of the grid and the channel's photometric reference are.
        Their other subs have no influence.
    path_to_lock : path-like
    path_to_registration : path-like
        Product: tables ``TRANSFORMS``, a row a sub, whose state is ``used`` if it was matched;
        ``STARS``, those whose images tell how the subs differ; ``SATCORES``, saturated cores of
        calibrated frames on the grid.
    job : mapping
        See `Job`.
    """
    given = Job.of(job)
    lock = read_lock(Path(path_to_lock))
    nights = {path: read_measures([path]) for path in {path_to_measures, *paths_to_references}}
    known = [sub for path in paths_to_references for sub in nights[path]]
    reference = _find(known, lock.reference, path_to_lock)
    bright = _photometric_reference(known, nights[path_to_measures], lock, path_to_lock, given)
    subs, reference, bright = _with_agreed_levels(nights[path_to_measures], reference, bright)
    rows = [blank_row(sub.facts, _seconds(sub, given)) for sub in subs]
    matcher = SubMatcher(reference, lock, given.settings.registration)
    matches = [_match(matcher, sub, row) for sub, row in zip(subs, rows, strict=True)]
    bright_row = blank_row(bright.facts, _seconds(bright, given))
    bright_match = _match(matcher, bright, bright_row)
    if bright_match is None:
        for row in rows:
            _leave_out_unscaled(row, bright_row)
    else:
        photometry = _Photometry(bright, bright_match, lock, given)
        for sub, row, match in zip(subs, rows, matches, strict=True):
            if match is not None:
                photometry.level(sub, row, match)
    for row in rows:
        log.info("%s: %s %s", row["name"], row["state"], row["reason"])
    cards = [
        *making_cards("register", job),
        ("CHANNEL", given.channel),
        ("NIGHT", given.night),
        ("GRIDREF", lock.reference),
        ("PHOTREF", lock.photometry[given.channel]),
        ("GRIDNX", lock.width_px),
        ("GRIDNY", lock.height_px),
        ("REFFWHM", _or_zero(bright_row["fwhm_px"])),
        ("REFSKY", _or_zero(bright_row["sky_rate"])),
    ]
    inputs = {"measures": [path_to_measures], "references": []}
    for path in paths_to_references:
        if path == path_to_measures:
            inputs["references"].append(path)
            continue
        record = read_record(path)
        inputs["references"] += [
            measured_alone(record, sub.id)
            for sub in nights[path]
            if sub.id in (reference.id, bright.id)
        ]
    # Channels that the lock file may pin later are nothing to this one, nor is the crop.
    own = {given.channel: lock.photometry[given.channel]}
    pinned = replace(lock, photometry=own, crop=None)
    texts = {"lock": lock_text(pinned)}
    record = record_hdu("register", path_to_registration, job, inputs, texts)
    cores = [
        on_grid(sub.cores, match.transform) if match is not None else NO_CORES
        for sub, match in zip(subs, matches, strict=True)
    ]
    tables = [
        transforms_hdu(rows),
        stars_hdu(bright.good_stars, bright_match),
        cores_of_subs_hdu(cores),
    ]
    write_product(path_to_registration, cards, [*tables, record])


def _seconds(sub: MeasuredSub, job: Job) -> float:
    """Return the exposure that divides values; calibrated frames keep their unit."""
    return 1.0 if job.calibrated else max(sub.facts["exposure_s"], 1e-6)


def _photometric_reference(
    known: Sequence[MeasuredSub],
    night: Sequence[MeasuredSub],
    lock: Lock,
    path_to_lock: str | Path,
    job: Job,
) -> MeasuredSub:
    if job.channel in lock.photometry:
        return _find(known, lock.photometry[job.channel], path_to_lock)
    if any(sub.good for sub in night):
        msg = (
            f"{path_to_lock}: has no reference for channel '{job.channel}'; delete it to choose "
            "again"
        )
        raise UserError(msg)
    states = counted(sub.condition for sub in night)
    msg = (
        f"channel '{job.channel}': none of its {len(night)} lights of {job.night} can be used "
        f"({states}); add better ones, or take the channel out of the project file"
    )
    raise UserError(msg)


def _with_agreed_levels(
    night: Sequence[MeasuredSub], reference: MeasuredSub, bright: MeasuredSub
) -> tuple[list[MeasuredSub], MeasuredSub, MeasuredSub]:
    """Set common saturation levels for the night's subs and the photometric reference."""
    further = [bright] if all(sub.id != bright.id for sub in night) else []
    agreed = {sub.id: sub for sub in with_agreed_levels([*night, *further])}
    return [agreed[sub.id] for sub in night], agreed.get(reference.id, reference), agreed[bright.id]


def _leave_out_unscaled(row: dict[str, Any], bright: Mapping[str, Any]) -> None:
    """Leave a matched sub out whose brightness has no reference."""
    if row["state"] == SubState.USED:
        said = f"its photometric reference {bright['name']} is {bright['state']}"
        leave_out(row, SubState.UNMATCHED, f"{said} ({bright['reason']})", *bright["causes"])


def _find(subs: Sequence[MeasuredSub], wanted: str, path_to_lock) -> MeasuredSub:
    for sub in subs:
        if sub.id == wanted:
            if sub.good:
                return sub
            msg = f"the reference {sub.facts['name']} is {sub.condition}"
            if held_back():  # it may be as ever in the next run
                raise UserError(f"{msg}: it {sub.facts['reason']}; run again")
            raise UserError(f"{msg}; delete {path_to_lock} to choose another")
    msg = (
        f"{path_to_lock}: the sub '{wanted}' has not been measured; delete the file to choose again"
    )
    raise UserError(msg)


def _or_zero(value: float) -> float:
    return float(f"{value:.7g}") if np.isfinite(value) else 0.0


def _match(matcher: SubMatcher, sub: MeasuredSub, row: dict[str, Any]) -> Match | None:
    """Match a sub with the reference; write a failure into its row."""
    if row["state"] != SubState.USED:
        return None
    try:
        matched = matcher.match(sub)
    except NoMatch as error:
        leave_out(row, SubState.UNMATCHED, str(error), *error.causes)
        return None
    fill_transform(row, matched.match, matched.source)
    return matched.match


class _Photometry:
    """The photometric reference: subs are scaled to its brightness and sky."""

    def __init__(self, bright: MeasuredSub, match: Match, lock: Lock, job: Job):
        self._bright, self._match, self._job = bright, match, job
        self._seconds = _seconds(bright, job)
        degree = SKY_DEGREES[job.settings.integration.background_match]
        shape = (lock.height_px, lock.width_px)
        self._sky = ReferenceSky(bright.mesh, match.transform, shape, degree)
        good = np.flatnonzero(bright.stars["flags"] == 0)
        stars = per_second(bright.stars, self._seconds)
        self._light = ReferenceLight(stars, good, _aperture(bright))

    def level(self, sub: MeasuredSub, row: dict[str, Any], match: Match) -> None:
        """Write flux scale and sky, or the reason for their absence, into the row of a sub."""
        seconds = _seconds(sub, self._job)
        i, j = common_stars(self._bright, self._match, sub, match)
        if len(i) < _FEWEST_FOR_BRIGHTNESS:
            said = f"{len(i)} stars in common with the photometric reference"
            leave_out(row, SubState.UNMATCHED, said, Cause.FEW_COMMON_STARS)
            return
        stars = per_second(sub.good_stars[j], seconds)
        pixel = self._match.transform.magnification / match.transform.magnification
        scale = self._light.compare(i, stars, _aperture(sub), pixel)
        factor = 1.0 if sub.id == self._bright.id else scale.factor
        sky = self._sky.difference(sub.mesh, match.transform, factor * self._seconds / seconds)
        fill_levels(row, factor, scale, sky / self._seconds, seconds)


def _aperture(sub: MeasuredSub) -> Aperture:
    return Aperture(sub.facts["aperture_px"], sub.facts["fwhm_px"])


if __name__ == "__main__":
    with job_log(snakemake.log[0], snakemake.params.job, snakemake.output[0]):
        register(
            path_to_measures=snakemake.input.measures,
            paths_to_references=snakemake.input.references,
            path_to_lock=snakemake.input.lock,
            path_to_registration=snakemake.output[0],
            job=json.loads(snakemake.params.job),
        )
