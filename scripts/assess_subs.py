"""Assess the subs of a channel: the state and the weight of each."""

import json
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from platefiles.core.errors import UserError
from platefiles.fits.products_io import read_header, write_product
from platefiles.jobs.job_log import job_log, log
from platefiles.provenance.header_provenance import making_cards
from platefiles.provenance.record import record_hdu
from platefiles.registration.night_registration import (
    read_night_registration,
)
from platefiles.registration.registration_table import copied_stars_hdu, transforms_hdu
from platefiles.settings.integration import Weighting
from platefiles.settings.job import JobSettings, Names, StepJob
from platefiles.settings.registration import Quality
from platefiles.subs.saturated_cores import common_cores, cores_hdu
from platelib.registration.frame_selection import (
    Limits,
    Typical,
    counted,
    judge_measures,
    judge_transparency,
    measured_rows,
    remedy,
    set_weights,
)
from platelib.registration.night_selection import judge_night, judge_whole_nights
from platelib.registration.sub_state import SubState

_NO_MEASURE = (SubState.UNMATCHED, SubState.ELONGATED, SubState.FEW_STARS)
"""States of a photometric reference that others cannot be compared with."""


class _Settings(JobSettings):
    quality: Quality
    integration: Weighting


class Job(StepJob):
    """The job of the assessment: settings, and the nights that are integrated on their own."""

    settings: _Settings
    project: str
    channel: str
    by_night: Names


def assess_subs(
    paths_to_registrations: Sequence[str | Path],
    path_to_assessment: str | Path,
    job: Mapping[str, Any],
) -> None:
    """Write the registration of a channel: its subs with state and weight.

    Parameters
    ----------
    paths_to_registrations : sequence of path-like
        Registrations of the channel's nights, in order.
    path_to_assessment : path-like
        Product: ``TRANSFORMS``, ``STARS`` and ``SATCORES`` as in the registrations of nights, with
        the final state and the weight of each sub.
    job : mapping
        See `Job`.

    Raises
    ------
    UserError
        If the photometric reference is not on the grid, or fails a limit of its own.
    """
    given = Job.of(job)
    limits = Limits(**given.settings.quality.model_dump())
    nights = [read_night_registration(path) for path in paths_to_registrations]
    rows = [row for night in nights for row in night.rows]
    alone = {night.night: night for night in nights if night.night in given.by_night}
    others = [row for night in nights if night.night not in alone for row in night.rows]
    everyone = Typical.among(measured_rows(rows))
    for night in alone.values():
        judge_night(night.rows, night.reference, limits)
    judge_measures(others, limits, everyone)
    _check_reference(nights[0].reference_id, rows, given)
    used = [row for row in rows if row["state"] == SubState.USED]
    everyone = Typical.among(used) if alone else everyone
    best = Typical.among(used).transparency
    judge_transparency(others, limits, best)
    judge_whole_nights({name: night.rows for name, night in alone.items()}, everyone, limits)
    set_weights(rows, given.settings.integration.weights)
    _log_states(rows)
    header = read_header(paths_to_registrations[0])
    cards = [
        *making_cards("assess_subs", job),
        ("CHANNEL", given.channel),
        *((key, header[key]) for key in ("GRIDREF", "PHOTREF", "GRIDNX", "GRIDNY")),
    ]
    inputs = {"registrations": paths_to_registrations}
    record = record_hdu("assess_subs", path_to_assessment, job, inputs)
    cores = [
        own
        for night in nights
        for own, row in zip(night.cores, night.rows, strict=True)
        if row["state"] == SubState.USED
    ]
    tables = [
        transforms_hdu(rows),
        copied_stars_hdu(paths_to_registrations[0]),
        cores_hdu(common_cores(cores)),
    ]
    write_product(path_to_assessment, cards, [*tables, record])


def _check_reference(reference_id: str, rows: Sequence[dict[str, Any]], job: Job) -> None:
    """Refuse a channel whose photometric reference can be no measure of other subs."""
    bright = next((row for row in rows if row["id"] == reference_id), None)
    if bright is None or bright["state"] not in _NO_MEASURE:
        return
    unscaled = (row["state"] == SubState.UNMATCHED and row["degree"] > 0 for row in rows)
    if any(unscaled) or any(row["state"] == SubState.USED for row in rows):
        msg = (
            f"channel '{job.channel}': its photometric reference {bright['name']} is "
            f"{bright['state']} ({bright['reason']}); delete {job.project}.lock.yaml to choose "
            f"another, and put {bright['name']} under exclude in the project file if it is chosen "
            "again"
        )
        raise UserError(msg)
    _log_states(rows)
    states = counted(row["state"] for row in rows)
    msg = (
        f"channel '{job.channel}': none of its {len(rows)} subs can be used ({states}); the log of "
        f"this job lists each reason; {remedy(rows)}"
    )
    raise UserError(msg)


def _log_states(rows: Sequence[Mapping[str, Any]]) -> None:
    for row in rows:
        log.info("%s: %s %s", row["name"], row["state"], row["reason"])


if __name__ == "__main__":
    with job_log(snakemake.log[0], snakemake.params.job, snakemake.output[0]):
        assess_subs(
            paths_to_registrations=snakemake.input.registrations,
            path_to_assessment=snakemake.output[0],
            job=json.loads(snakemake.params.job),
        )
