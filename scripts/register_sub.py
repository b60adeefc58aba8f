"""Write one registered sub, at the photometric scale and sky of its channel."""

import json
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np

from platefiles.astrometry.solution import solution_cards
from platefiles.calibration.master_library import Masters
from platefiles.core.errors import UserError
from platefiles.core.frame_errors import ChangedFrame, FrameError
from platefiles.fits.products_io import image_hdu, write_product
from platefiles.integration.single_coverage import LoneParts
from platefiles.jobs.job_log import job_log
from platefiles.provenance.header_provenance import exposure_cards, making_cards
from platefiles.provenance.record import raw_record, record_hdu
from platefiles.raw_frames.raw_frame import open_frame
from platefiles.raw_frames.sensor_sections import overscan_cards
from platefiles.registration.registration_table import read_registration
from platefiles.settings.job import Facts, StepJob
from platefiles.subs.calibrated_sub import Sub, unit_of
from platefiles.subs.hit_pixels import NO_HITS, read_hit_pixels
from platefiles.transfers.fetch import local_copies
from platelib.registration.sub_state import SubState


class Job(StepJob):
    """The job of registration: a light, the camera, and the unit of the channel.

    ``alone`` tells whether its night is integrated on its own.
    """

    channel: str
    camera: Facts
    sub: Facts
    unit: str
    lone_pixels: bool
    alone: bool


def register_sub(
    path_to_raw: str | Path,
    paths_to_masters: Sequence[str | Path],
    path_to_registration: str | Path,
    path_to_sub: str | Path,
    job: Mapping[str, Any],
    paths_to_rays: Sequence[str | Path] = (),
    path_to_solution: str | Path | None = None,
) -> None:
    """Write a registered sub: ``SCI`` and ``VAR`` in the unit of the channel, and ``MASK``.

    The mask is 1 where there is no data, and `platelib.numerics.mask_bits.SPIKE` beside a
    pixel of the raw frame that is sharper than the stars of the sub.

    A sub that was left out is written without data, with its state in ``SUBSTATE``. The images
    carry the place of the grid on the sky, where that is known.

    Raises
    ------
    UserError
        If the raw frame cannot be read.
    """
    given = Job.of(job)
    facts = given.sub
    registered, (ny, nx) = read_registration(path_to_registration)
    row = next(sub for sub in registered if sub.facts["id"] == facts["id"])
    unit = given.unit
    values, variance = np.full((2, ny, nx), np.nan, dtype=np.float32)
    mask = np.ones((ny, nx), dtype=np.uint8)
    if row.facts["state"] == SubState.USED:
        try:
            with open_frame(path_to_raw, facts, row.facts["sums"]) as image:
                masters = Masters(paths_to_masters)
                hits = read_hit_pixels(paths_to_rays).get(facts["id"], NO_HITS)
                level, fwhm_px = row.facts["saturation_adu"], row.facts["fwhm_px"]
                camera = given.camera
                sub = Sub(image, facts, masters, camera, row.sky_noise, hits, level, fwhm_px)
                if given.lone_pixels:
                    night = facts["night"]
                    beside = [r for r in registered if not given.alone or r.facts["night"] == night]
                    sub.add_hits(LoneParts(beside, (ny, nx)).hits(row, sub))
                unit = unit_of([sub.detector.gain], unit)
                place = (row.transform, row.levels, (0, ny), (0, nx))
                sub.registered(*place, (values, variance), missing=mask)
        except ChangedFrame as error:
            msg = f"{facts['name']} {error}"
            raise UserError(msg) from error
        except FrameError as error:
            msg = f"{facts['name']} {error}; leave it out with exclude in the project file"
            raise UserError(msg) from error
    inputs = {
        "raw": [raw_record("light", facts, row.facts["sha256"], path_to_raw)],
        "masters": paths_to_masters,
        "registration": [path_to_registration],
        "rays": paths_to_rays,
        "solution": [] if path_to_solution is None else [path_to_solution],
    }
    world = [] if path_to_solution is None else solution_cards(path_to_solution)
    write_product(
        path_to_sub,
        [
            *making_cards("register_sub", job),
            ("CHANNEL", given.channel),
            ("RAWNAME", facts["name"]),
            ("RAWSHA", row.facts["sha256"]),
            ("SUBSTATE", row.facts["state"]),
            *([("SUBWHY", row.facts["reason"])] if row.facts["reason"] else []),
            *overscan_cards([facts]),
            *exposure_cards([(facts["start_utc"], facts["exposure_s"] or None)]),
        ],
        [
            image_hdu(values, "SCI", world, unit),
            image_hdu(variance, "VAR", world, f"({unit})2"),
            image_hdu(mask, "MASK", world),
            record_hdu("register_sub", path_to_sub, job, inputs),
        ],
    )


if __name__ == "__main__":
    with job_log(snakemake.log[0], snakemake.params.job, snakemake.output[0]):
        register_sub(
            path_to_raw=local_copies(snakemake.input.raw)[0],
            paths_to_masters=snakemake.input.masters,
            path_to_registration=snakemake.input.registration,
            path_to_sub=snakemake.output[0],
            job=json.loads(snakemake.params.job),
            paths_to_rays=snakemake.input.rays,
            path_to_solution=snakemake.input.solution or None,
        )
