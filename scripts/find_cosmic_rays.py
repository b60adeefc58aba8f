"""Find cosmic rays on each single sub of one channel and night, for few subs."""

import json
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np

from platefiles.calibration.master_library import Masters
from platefiles.core.frame_errors import FrameError
from platefiles.core.hashing import file_sha256
from platefiles.core.provisional import hold_back
from platefiles.fits.products_io import write_product
from platefiles.fits.tables import columns_hdu
from platefiles.integration.single_coverage import SHARPEST_FWHM_PX
from platefiles.jobs.job_log import job_log, log
from platefiles.provenance.header_provenance import making_cards
from platefiles.provenance.record import raw_record, record_hdu
from platefiles.raw_frames.raw_frame import open_frame
from platefiles.settings.job import Facts, Rows, StepJob
from platefiles.subs.calibrated_sub import SkyNoise, Sub
from platefiles.subs.hit_pixels import NO_HITS, HitPixels
from platefiles.subs.measures import MeasuredSub, read_measures
from platefiles.transfers.fetch import local_copies
from platelib.bad_pixels.interpolate import interpolate_bad_pixels
from platelib.colour.star_cores import discs
from platelib.cosmic_rays.exclusion_mask import shielded
from platelib.cosmic_rays.saturated_stars import saturated_star_images
from platelib.cosmic_rays.single_frame import RayRule, contrast_for, cosmic_ray_mask
from platelib.numerics.mask_bits import BAD
from platelib.numerics.workspace import Room


class Job(StepJob):
    """The job of the search: the lights of one channel and night, and the camera."""

    channel: str
    night: str
    camera: Facts
    subs: Rows


def find_cosmic_rays(
    paths_to_raw: Sequence[str | Path],
    paths_to_masters: Sequence[str | Path],
    path_to_measures: str | Path,
    path_to_rays: str | Path,
    job: Mapping[str, Any],
) -> None:
    """List the pixels of each sub hit by cosmic rays.

    Parameters
    ----------
    paths_to_raw : sequence of path-like
        Lights, in the order of ``job.subs``.
    paths_to_masters : sequence of path-like
        Masters that they need.
    path_to_measures : path-like
        Measures of the same lights: noise, width of the stars, and the stars, which are spared.
    path_to_rays : path-like
        Product: tables ``SUBS`` (a row a sub) and ``RAYS`` (a row a pixel), the latter with the
        number of the sub in ``sub``.
    job : mapping
        See `Job`.
    """
    given = Job.of(job)
    masters = Masters(paths_to_masters)
    measured = {sub.id: sub for sub in read_measures([path_to_measures])}
    hits, digests, room = [], [], Room()
    for path, facts in zip(paths_to_raw, given.subs, strict=True):
        sub = measured[facts["id"]]
        found = _hits_of_file(path, facts, masters, given.camera, sub, room)
        digests.append(sub.facts["sha256"] if found is not None else file_sha256(path))
        hits.append(NO_HITS if found is None else found)
        log.info("%s: %d pixels hit by particles", facts["name"], len(hits[-1]))
    widths = [measured[facts["id"]].facts["fwhm_px"] for facts in given.subs]
    subs = {
        "id": [facts["id"] for facts in given.subs],
        "name": [facts["name"] for facts in given.subs],
        "sha256": digests,
        "pixels": np.array([len(found) for found in hits], dtype=np.int32),
        "contrast": np.round([contrast_for(width) for width in widths], 3),
    }
    rays = {
        "sub": np.repeat(np.arange(len(hits), dtype=np.int32), subs["pixels"]),
        "x": np.concatenate([found.x for found in hits]),
        "y": np.concatenate([found.y for found in hits]),
    }
    raws = [
        raw_record("light", facts, sha256, path)
        for path, facts, sha256 in zip(paths_to_raw, given.subs, subs["sha256"], strict=True)
    ]
    inputs = {"raw": raws, "masters": paths_to_masters, "measures": [path_to_measures]}
    write_product(
        path_to_rays,
        [
            *making_cards("find_cosmic_rays", job),
            ("CHANNEL", given.channel),
            ("NIGHT", given.night),
            ("RAYSIGMA", RayRule().sigma),
        ],
        [
            columns_hdu(subs, "SUBS", _DESCRIPTIONS),
            columns_hdu(rays, "RAYS"),
            record_hdu("find_cosmic_rays", path_to_rays, job, inputs),
        ],
    )


_DESCRIPTIONS = {
    "pixels": "number of pixels hit by particles",
    "contrast": "lowest accepted ratio of Laplacian to fine structure",
}


def _hits_of_file(
    path: str | Path,
    facts: Mapping[str, Any],
    masters: Masters,
    camera: Mapping[str, Any],
    measured: MeasuredSub,
    room: Room,
) -> HitPixels | None:
    """Search one file; return None if it differs from the measured one."""
    if not measured.usable:
        return NO_HITS
    if measured.facts["fwhm_px"] < SHARPEST_FWHM_PX:
        log.warning("%s: %s", facts["name"], _too_sharp(measured.facts["fwhm_px"]))
        return NO_HITS
    known = measured.facts
    try:
        with open_frame(path, facts, known["sums"]) as image:
            sky = SkyNoise(known["noise"] ** 2, known["sky"], known["light_variance"])
            sub = Sub(image, facts, masters, camera, sky, saturation=known["saturation_adu"])
            return _hits(sub, measured, room)
    except FrameError as error:
        hold_back(f"{facts['name']} {error}")
        log.warning("%s %s: not searched", facts["name"], error)
        return None


def _too_sharp(fwhm_px: float) -> str:
    return (
        f"not searched for cosmic rays: with a FWHM of {fwhm_px:.1f} px, below "
        f"{SHARPEST_FWHM_PX:g} px, stars are as sharp as tracks of particles"
    )


def _hits(sub: Sub, measured: MeasuredSub, room: Room) -> HitPixels:
    values, variance, mask = sub.calibrated(0, sub.shape[0], room)
    interpolate_bad_pixels(variance, mask)
    variance *= np.float32(measured.facts["excess"])
    rule = RayRule(contrast=contrast_for(measured.facts["fwhm_px"]))
    mask = shielded(mask, measured.stars)
    _exclude(mask, saturated_star_images(values, variance, mask))
    cores = measured.cores
    if len(cores):
        _exclude(mask, discs(mask.shape, cores.x, cores.y, cores.radius_px))
    return HitPixels.of(cosmic_ray_mask(values, variance, mask, sub.saturation, rule, room))


def _exclude(mask: np.ndarray, pixels: np.ndarray) -> None:
    """Mark pixels as bad; a mask of them takes several times as long where it is an index."""
    np.bitwise_or(mask, pixels.view(np.uint8) * np.uint8(BAD), out=mask)


if __name__ == "__main__":
    with job_log(snakemake.log[0], snakemake.params.job, snakemake.output[0]):
        find_cosmic_rays(
            paths_to_raw=local_copies(snakemake.input.raw),
            paths_to_masters=snakemake.input.masters,
            path_to_measures=snakemake.input.measures[0],
            path_to_rays=snakemake.output[0],
            job=json.loads(snakemake.params.job),
        )
