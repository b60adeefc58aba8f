"""Encode the frames of a channel as an animation: WebP or PNG."""

import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from platefiles.blink.animation_files import write_animation
from platefiles.blink.frame_drawing import FrameDrawing
from platefiles.blink.frames_product import read_frames
from platefiles.core.hashing import file_sha256
from platefiles.jobs.job_log import job_log, log
from platefiles.picture.picture_files import Label
from platefiles.provenance.header_provenance import creator
from platefiles.provenance.record import read_record, single_making
from platefiles.settings.job import JobSettings, StepJob


class Job(StepJob):
    """The job of encoding an animation: title and channel."""

    settings: JobSettings
    title: str
    channel: str


def encode_blink(
    path_to_frames: str | Path, path_to_animation: str | Path, job: Mapping[str, Any]
) -> None:
    """Write an animation of the frames of a channel, each with its time, directions and scale.

    Parameters
    ----------
    path_to_frames : path-like
        Product of `draw_blink`.
    path_to_animation : path-like
        Written, in the format of its ending, ``.webp`` or ``.png``. It tells how it was made, and
        bears a seal.
    job : mapping
        See `Job`.
    """
    given = Job.of(job)
    shown, record = read_frames(path_to_frames), read_record(path_to_frames)
    making = single_making(
        "encode_blink", path_to_animation, job, {"frames": (record.making.product,)}
    )
    source = f"sha256:{file_sha256(path_to_frames)}"
    label = Label(given.title, source, shown.method, creator(), record.id, making)
    drawing = FrameDrawing(shown, f"{given.title}, {given.channel}")
    write_animation(path_to_animation, drawing, label)
    log.info("%d frames", len(drawing))


if __name__ == "__main__":
    with job_log(snakemake.log[0], snakemake.params.job, snakemake.output[0]):
        encode_blink(
            path_to_frames=snakemake.input.frames,
            path_to_animation=snakemake.output[0],
            job=json.loads(snakemake.params.job),
        )
