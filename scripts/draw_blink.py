"""Draw the subs of a channel as frames of equal stretch, straight from the raw files."""

import json
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from platefiles.astrometry.solution import read_map
from platefiles.blink.frames_product import drawn, frames_hdus
from platefiles.blink.resampled_frames import BlinkJob, Sources, resampled_frames
from platefiles.calibration.master_library import Masters
from platefiles.core.errors import UserError
from platefiles.fits.products_io import read_header, write_product
from platefiles.integration.combined_product import raw_records
from platefiles.jobs.job_log import job_log, log
from platefiles.provenance.header_provenance import exposure_cards, making_cards
from platefiles.provenance.record import record_hdu
from platefiles.registration.registration_table import read_registration
from platefiles.subs.hit_pixels import read_hit_pixels
from platefiles.transfers.fetch import local_copies
from platelib.blink.grid_part import whole_grid


def draw_blink(
    paths_to_raw: Sequence[str | Path],
    paths_to_masters: Sequence[str | Path],
    path_to_registration: str | Path,
    path_to_solution: str | Path,
    path_to_frames: str | Path,
    job: Mapping[str, Any],
    paths_to_rays: Sequence[str | Path] = (),
    threads: int = 1,
) -> None:
    """Write the frames of a channel: its whole grid, reduced by averaging.

    Each used sub is resampled once, as an integration does; nothing is rejected. Above 60 subs,
    those of a bin in time are combined by their weighted mean.

    Parameters
    ----------
    paths_to_raw : sequence of path-like
        Lights of the channel, in the order of ``job.subs``.
    paths_to_masters : sequence of path-like
        Masters that they need.
    path_to_registration : path-like
        Table of transforms, levels, weights and states.
    path_to_solution : path-like
        Place of the grid on the sky, if it is known.
    path_to_frames : path-like
        Product: ``SCI`` ``(n, ny, nx)`` uint8 display values, ``FRAMES``, ``SUBS`` and ``DRAWING``.
    job : mapping
        See `platefiles.blink.resampled_frames.BlinkJob`.
    paths_to_rays : sequence of path-like
        Cosmic rays on the subs, for channels that are cleaned sub by sub.
    threads : int
        Strips that are worked on at a time; it changes no bit.

    Raises
    ------
    UserError
        If no sub can be shown.
    """
    given = BlinkJob.of(job)
    registered, shape = read_registration(path_to_registration)
    hits = read_hit_pixels(paths_to_rays)
    sources = Sources(paths_to_raw, Masters(paths_to_masters), registered, shape, hits)
    frames = resampled_frames(sources, given, whole_grid(shape), threads=threads)
    try:
        shown = drawn(frames, registered, read_map(path_to_solution))
    except ValueError as error:
        msg = f"channel '{given.channel}': {error}; the log of this job lists the subs"
        raise UserError(msg) from error
    log.info("%s", shown.method)
    number = {sub for one in frames.facts for sub in one.ids}
    used = [row.facts for row in registered if row.facts["id"] in number]
    solution = read_header(path_to_solution)
    inputs = {
        "raw": raw_records(paths_to_raw, registered, given.subs),
        "masters": paths_to_masters,
        "registration": [path_to_registration],
        "rays": paths_to_rays,
        "solution": [path_to_solution],
    }
    write_product(
        path_to_frames,
        [
            *making_cards("draw_blink", job),
            ("CHANNEL", given.channel),
            *exposure_cards([(one["start_utc"], one["exposure_s"] or None) for one in used]),
        ],
        [
            *frames_hdus(shown, registered, solution),
            record_hdu("draw_blink", path_to_frames, given.recorded, inputs),
        ],
    )


if __name__ == "__main__":
    with job_log(snakemake.log[0], snakemake.params.job, snakemake.output[0]):
        draw_blink(
            paths_to_raw=local_copies(snakemake.input.raw),
            paths_to_masters=snakemake.input.masters,
            path_to_registration=snakemake.input.registration,
            path_to_solution=snakemake.input.solution,
            path_to_frames=snakemake.output[0],
            job=json.loads(snakemake.params.job),
            paths_to_rays=snakemake.input.rays,
            threads=snakemake.threads,
        )
