"""Choose the sub whose pixels become the grid; the photometric reference and crop of channels."""

import json
from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

from platefiles.config.lock_file import NEW_GRID_LINE, Lock, lock_text, pinned_words, read_lock
from platefiles.core.atomic_write import write_whole
from platefiles.core.errors import UserError
from platefiles.jobs.job_log import job_log, log
from platefiles.registration.pinned_crop import choose_crop
from platefiles.settings.job import JobSettings, Names, StepJob
from platefiles.settings.registration import Registration, Roundness
from platefiles.subs.measures import MeasuredSub, read_measures
from platelib.registration.frame_selection import counted


class _Settings(JobSettings):
    quality: Roundness
    registration: Registration


class Job(StepJob):
    """The job of the choice: channels in order of preference, and the requested sub."""

    project: str
    settings: _Settings
    channels: Names
    reference: str | None


def choose_reference(
    paths_to_measures: Sequence[str | Path], path_to_lock: str | Path, job: Mapping[str, Any]
) -> None:
    """Write the lock file of a project; existing pins are kept.

    The reference of a channel is its sub with the most stars for its seeing; that of the grid is
    the best of the first channel in ``job.channels`` that has any usable sub, unless the
    project names one. A channel without a usable sub is left for a later run. The crop of a
    channel is the part of the grid that at least half of its present exposure covers.

    Parameters
    ----------
    paths_to_measures : sequence of path-like
        Measures of all channels and nights, ``.../measures/<channel>/<night>.fits``.
    path_to_lock : path-like
    job : mapping
        See `Job`.

    Raises
    ------
    UserError
        If no sub of the project has stars, or the named reference is not there.
    """
    given = Job.of(job)
    by_channel: dict[str, list[MeasuredSub]] = {channel: [] for channel in given.channels}
    for path in paths_to_measures:
        by_channel[Path(path).parent.name] += read_measures([path])
    limit = given.settings.quality.max_ellipticity
    best = {
        channel: max(subs, key=lambda sub: _rank(sub, limit))
        for channel, subs in by_channel.items()
        if any(sub.good for sub in subs)
    }
    lock = read_lock(Path(path_to_lock))
    if lock is None:
        lock = _new_lock(by_channel, best, given)
        log.info(NEW_GRID_LINE)
    chosen = {channel: sub.id for channel, sub in best.items()} | lock.photometry
    lock = replace(lock, photometry={c: chosen[c] for c in given.channels if c in chosen})
    crop = choose_crop(by_channel, lock, given.settings.registration, limit)
    lock = replace(lock, crop={c: crop[c] for c in given.channels if c in crop})
    log.info("%s", pinned_words(lock))
    write_whole(path_to_lock, lambda target: target.write(lock_text(lock).encode()))


def _new_lock(
    by_channel: Mapping[str, Sequence[MeasuredSub]],
    best: Mapping[str, MeasuredSub],
    job: Job,
) -> Lock:
    """Choose the reference of the grid."""
    first = next((channel for channel in job.channels if channel in best), None)
    if first is None:
        everyone = [sub for subs in by_channel.values() for sub in subs]
        states = counted(sub.condition for sub in everyone)
        msg = (
            f"project '{job.project}': none of its {len(everyone)} lights can be used "
            f"({states}); inspect them, or lower measure: detection_sigma in the recipe"
        )
        raise UserError(msg)
    reference = _named(by_channel, job) if job.reference else best[first]
    facts = reference.facts
    return Lock(reference.id, facts["name"], facts["width_px"], facts["height_px"], {})


def _rank(sub: MeasuredSub, max_ellipticity: float) -> tuple:
    """Sort key: usable and round first, then stars over the area of their image, then id."""
    if not sub.good:
        return (0, 0.0, _reversed(sub.id))
    round_enough = 2 if sub.facts["ellipticity"] <= max_ellipticity else 1
    return (round_enough, sub.facts["stars"] / sub.facts["fwhm_px"] ** 2, _reversed(sub.id))


def _reversed(text: str) -> tuple[int, ...]:
    """Key under which the first id in the alphabet wins a tie."""
    return tuple(-ord(letter) for letter in text)


def _named(by_channel: Mapping[str, Sequence[MeasuredSub]], job: Job) -> MeasuredSub:
    wanted = job.reference
    for subs in by_channel.values():
        for sub in subs:
            if wanted in (sub.facts["name"], Path(sub.facts["name"]).name, sub.id):
                if sub.good:
                    return sub
                msg = f"project '{job.project}': reference: {wanted} shows no stars; name another"
                raise UserError(msg)
    msg = f"project '{job.project}': reference: no light is called '{wanted}'"
    raise UserError(msg)


if __name__ == "__main__":
    with job_log(snakemake.log[0], snakemake.params.job, snakemake.output[0]):
        choose_reference(
            paths_to_measures=snakemake.input.measures,
            path_to_lock=snakemake.output[0],
            job=json.loads(snakemake.params.job),
        )
