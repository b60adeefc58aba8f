"""List every light of a project with its state, its quality and its weight."""

import json
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from platefiles.core.atomic_write import write_whole
from platefiles.fits.products_io import read_header
from platefiles.fits.tables import read_columns, rows_of
from platefiles.frames.left_out import LeftOut
from platefiles.frames.left_out_sentences import sentence
from platefiles.jobs.job_log import job_log
from platefiles.settings.job import Rows, StepJob
from platelib.registration.sub_state import SubState

_FROM_INPUTS = ("state", "reason", "clipped_low", "clipped_high", "star_cores", "cores_rejected")
_COLUMNS = (
    "id", "name", "channel", "night", "state", "reason", "exposure_s", "start_utc", "stars",
    "fwhm_px", "ellipticity", "sky_rate", "noise_rate", "transparency", "weight", "matched",
    "rms_px", "degree", "clipped_low", "clipped_high", "star_cores", "cores_rejected",
)  # fmt: skip


class Job(StepJob):
    """The job of the list: unused frames with their reasons, in addition to the lights."""

    unused: Rows


def list_subs(
    paths_to_registrations: Sequence[str | Path],
    paths_to_channels: Sequence[str | Path],
    path_to_table: str | Path,
    job: Mapping[str, Any],
) -> None:
    """Write ``subs.tsv``.

    Parameters
    ----------
    paths_to_registrations, paths_to_channels : sequence of path-like
        One of each for each channel, in one order.
    path_to_table : path-like
        Tab-separated, a row a light; frames that are not used at all follow as ``unused``.
    job : mapping
        See `Job`.
    """
    lines = ["\t".join(_COLUMNS)]
    for registration, channel in zip(paths_to_registrations, paths_to_channels, strict=True):
        inputs = {row["id"]: row for row in rows_of(read_columns(channel, "INPUTS"))}
        name = read_header(registration)["CHANNEL"]
        for facts in rows_of(read_columns(registration, "TRANSFORMS")):
            facts |= {column: inputs[facts["id"]][column] for column in _FROM_INPUTS}
            facts["channel"] = name
            lines.append("\t".join(_text(facts.get(column, "")) for column in _COLUMNS))
    for frame in Job.of(job).unused:
        said = sentence(LeftOut.of(frame["why"], frame["facts"]))
        facts = {**frame, "state": SubState.UNUSED, "reason": said}
        lines.append("\t".join(_text(facts.get(column, "")) for column in _COLUMNS))
    content = "\n".join(lines) + "\n"
    write_whole(path_to_table, lambda target: target.write(content.encode()))


def _text(value: Any) -> str:
    if isinstance(value, str):
        return value.replace("\t", " ").replace("\n", " ")
    return f"{value:.6g}"


if __name__ == "__main__":
    with job_log(snakemake.log[0], snakemake.params.job, snakemake.output[0]):
        list_subs(
            paths_to_registrations=snakemake.input.registrations,
            paths_to_channels=snakemake.input.channels,
            path_to_table=snakemake.output[0],
            job=json.loads(snakemake.params.job),
        )
