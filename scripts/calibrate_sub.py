"""Write one calibrated sub, with the pixels that measurement and integration use."""

import json
import math
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from platefiles.calibration.master_library import Masters
from platefiles.core.errors import UserError
from platefiles.core.frame_errors import ChangedFrame, FrameError
from platefiles.fits.products_io import image_hdu, write_product
from platefiles.jobs.job_log import job_log
from platefiles.provenance.header_provenance import exposure_cards, making_cards
from platefiles.provenance.record import raw_record, record_hdu
from platefiles.raw_frames.raw_frame import open_frame
from platefiles.raw_frames.sensor_sections import overscan_cards
from platefiles.settings.job import Facts, StepJob
from platefiles.subs.calibrated_sub import Sub
from platefiles.subs.hit_pixels import NO_HITS, read_hit_pixels
from platefiles.subs.sky_gain import own_sky_noise
from platefiles.transfers.fetch import local_copies
from platelib.calibration.saturation_level import find_pile_up
from platelib.detection.bright_pixels import brightest_pixels


class Job(StepJob):
    """The job of calibrating a sub: the light and the camera."""

    channel: str
    camera: Facts
    sub: Facts


def calibrate_sub(
    path_to_raw: str | Path,
    paths_to_masters: Sequence[str | Path],
    path_to_sub: str | Path,
    job: Mapping[str, Any],
    paths_to_rays: Sequence[str | Path] = (),
) -> None:
    """Write a calibrated sub: ``SCI`` (electron if the gain is known), ``VAR``, ``MASK``.

    Where the gain is not known, ``VAR`` is that of the sub's own sky, and a limit on what its light
    adds.

    Raises
    ------
    UserError
        If the raw frame cannot be read.
    """
    given = Job.of(job)
    facts = given.sub
    try:
        with open_frame(path_to_raw, facts) as image:
            sha256 = image.sha256()
            hits = read_hit_pixels(paths_to_rays).get(facts["id"], NO_HITS)
            pile_up = find_pile_up(brightest_pixels(image.words, image.shape, image.step))
            level = math.nan if pile_up is None else pile_up.threshold
            masters = Masters(paths_to_masters)
            sub = Sub(image, facts, masters, given.camera, hits=hits, saturation=level)
            if not sub.detector.gain:
                is_raw = not given.camera.get("calibrated")
                sky = own_sky_noise(image, facts, masters, sub.detector, is_raw)
                sub = Sub(image, facts, masters, given.camera, sky, hits, level)
            values, variance, mask = sub.calibrated(0, sub.shape[0])
    except ChangedFrame as error:
        msg = f"{facts['name']} {error}"
        raise UserError(msg) from error
    except FrameError as error:
        msg = f"{facts['name']} {error}; leave it out with exclude in the project file"
        raise UserError(msg) from error
    raw = raw_record("light", facts, sha256, path_to_raw)
    inputs = {"raw": [raw], "masters": paths_to_masters, "rays": paths_to_rays}
    unit = "electron" if sub.detector.gain > 0 else "adu"
    write_product(
        path_to_sub,
        [
            *making_cards("calibrate_sub", job),
            ("CHANNEL", given.channel),
            ("RAWNAME", facts["name"]),
            ("RAWSHA", raw.sha256),
            ("MBIAS", facts["bias"] or "none"),
            ("MDARK", facts["dark"] or "none"),
            ("MFLAT", facts["flat"] or "none"),
            ("GAIN", sub.detector.gain),
            ("GAINSRC", sub.gain_choice.source),
            *overscan_cards([facts]),
            *exposure_cards([(facts["start_utc"], facts["exposure_s"] or None)]),
        ],
        [
            image_hdu(values, "SCI", unit=unit),
            image_hdu(variance, "VAR", unit=f"{unit}2"),
            image_hdu(mask, "MASK"),
            record_hdu("calibrate_sub", path_to_sub, job, inputs),
        ],
    )


if __name__ == "__main__":
    with job_log(snakemake.log[0], snakemake.params.job, snakemake.output[0]):
        calibrate_sub(
            path_to_raw=local_copies(snakemake.input.raw)[0],
            paths_to_masters=snakemake.input.masters,
            path_to_sub=snakemake.output[0],
            job=json.loads(snakemake.params.job),
            paths_to_rays=snakemake.input.rays,
        )
