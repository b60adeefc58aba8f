"""Cards of an integrated channel: what it is made of, its gain and where it saturates."""

import math
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np

from platefiles.integration.integrate_job import CombiningJob, IntegrateJob
from platefiles.jobs.job_log import log
from platefiles.provenance.header_provenance import (
    equipment_cards,
    exposure_cards,
    making_cards,
    note_cards,
)
from platefiles.raw_frames.sensor_sections import overscan_cards
from platefiles.registration.registration_table import RegisteredSub
from platefiles.subs.calibrated_sub import Sub
from platelib.calibration.photon_transfer import SKY_NOISE
from platelib.calibration.saturation_level import MARGIN
from platelib.integration.noise_correlation import noise_correlation

_UNKNOWN_GAIN = (
    "The gain of the camera is unknown: pixels stay in ADU, the photon noise is estimated from the "
    "sky, and errors of stars may be too large. Set "
    "gain_e_per_adu in the equipment file, or EGAIN in header_fixes, or add at least two flats of "
    "each channel and two bias frames."
)


class SubLevels(NamedTuple):
    """Levels of the camera in a sub.

    Attributes
    ----------
    saturation : float
        Calibrated value of a saturated pixel.
    saturation_adu, full_scale_adu : float
        Saturation level, and largest value of the raw file's format, ADU.
    gain : float
        Electrons per ADU; 0 if unknown.
    """

    saturation: float
    saturation_adu: float
    full_scale_adu: float
    gain: float

    @classmethod
    def of(cls, sub: Sub) -> "SubLevels":
        """Return those of an open sub."""
        return cls(sub.saturation, sub.detector.saturation, sub.full_scale, sub.detector.gain)


Used = Sequence[tuple[RegisteredSub, SubLevels]]
"""Subs that are used, with their levels."""


def channel_cards(
    subs: Used,
    registered: Sequence[RegisteredSub],
    shape: tuple[int, int],
    job: IntegrateJob,
) -> list[tuple]:
    """Return the provenance of a channel as cards.

    Parameters
    ----------
    subs : sequence of (RegisteredSub, SubLevels)
        Those that are used.
    registered : sequence of RegisteredSub
        All subs of the channel.
    shape : tuple of int
        ``(ny, nx)`` of the grid, px.
    job : IntegrateJob
    """
    times = [(row.facts["start_utc"], row.facts["exposure_s"] or None) for row, _ in subs]
    correlation = noise_correlation(
        [row.transform for row, _ in subs],
        [row.facts["weight"] for row, _ in subs],
        [row.facts["noise_rate"] for row, _ in subs],
        shape,
    )
    cards = [
        *making_cards("integrate", job.recorded),
        ("CHANNEL", job.channel),
        ("OBJECT", job.target),
        ("FILTER", job.filter),
        *exposure_cards(times),
        *overscan_cards([*job.subs, *({"sections": one.get("sections")} for one in job.sections)]),
        ("NSUBS", len(registered)),
        ("NOISCORR", round(correlation, 4)),
        *equipment_cards(job.equipment),
        *_gain_cards(subs, job),
        *note_cards([*gain_notes(subs, job), *job.sentences]),
    ]
    if job.wavelength_nm:
        cards.append(("WAVELEN", job.wavelength_nm))
    return cards


def saturation_cards(subs: Used, job: IntegrateJob, cores: int) -> list[tuple]:
    """Return the saturation level in the unit of the channel, with its origin, as cards.

    Parameters
    ----------
    subs : sequence of (RegisteredSub, SubLevels)
        Those that are used.
    job : IntegrateJob
    cores : int
        Number of stars with saturated cores in frames without a stated level.
    """
    found = []
    if cores:
        found = [Saturation(f"channel {job.channel}", _cores_note(cores, job.channel))]
        log.info("%s", found[0].sentence)
    levels = [sub.saturation * row.facts["scale"] for row, sub in subs]
    if not math.isfinite(min(levels)):
        cards = [("SATFROM", one.sentence) for one in found]
        return cards + _told_cards(found)
    first = subs[levels.index(min(levels))][1]
    piles = dict.fromkeys(one for pair in subs if (one := _pile_up(*pair)) is not None)
    source = ["file format"]
    if job.camera.get("saturation_adu") is not None:
        source = ["equipment file"]
    elif piles:
        source = [one.sentence for one in piles]
        log.info("%s", "; ".join(source))
        found = [*piles, *found]
    elif job.calibrated and first.saturation_adu < MARGIN * first.full_scale_adu:
        source = ["SATURATE in the headers of the frames"]
    source += [one.sentence for one in found if one not in piles]
    return [
        ("SATURATE", float(f"{min(levels):.5g}")),
        ("SATADU", float(f"{first.saturation_adu:.6g}")),
        ("SATFROM", "; ".join(source)),
        *_told_cards(found),
    ]


class Saturation(NamedTuple):
    """A finding about saturation, and its subject: a camera setting or a channel."""

    about: str
    sentence: str


def _told_cards(found: Sequence[Saturation]) -> list[tuple]:
    """Return one card per finding, with its subject."""
    return [
        card
        for number, one in enumerate(found[:9], start=1)
        for card in (
            (f"SATKEY{number}", one.about),
            (f"SATSAY{number}", one.sentence),
        )
    ]


def _cores_note(cores: int, channel: str) -> str:
    """Return the number of saturated stars in frames without a stated level, as a sentence."""
    stars = "1 star has a core" if cores == 1 else f"{cores} stars have cores"
    return (
        f"channel {channel}: {stars} fainter than the wings imply, as if saturated; "
        "SATCORES lists the cores, which pictures draw in the colours of their rims"
    )


def _pile_up(row: RegisteredSub, sub: SubLevels) -> Saturation | None:
    """Return the pile-up level of a camera setting as a sentence, if it is below full scale."""
    if not 0 < row.facts["pile_up_adu"] < MARGIN * sub.full_scale_adu:
        return None
    pile_up, level = (
        f"{float(f'{value:.4g}'):.10g}" for value in (row.facts["pile_up_adu"], sub.saturation_adu)
    )
    about = f"camera setting {row.facts['setting']}"
    return Saturation(
        about,
        f"{about}: pixel values pile up at {pile_up} adu, below the "
        f"full scale of the files ({sub.full_scale_adu:.6g} adu); pixels count as saturated from "
        f"{level} adu; saturation_adu in the equipment file sets another level",
    )


def gain_notes(subs: Used, job: CombiningJob) -> list[str]:
    """Return the remedies if the gain of some subs is unknown."""
    unknown = any(sub.gain == 0 for _, sub in subs)
    return [_UNKNOWN_GAIN] if unknown and not job.calibrated else []


def _gain_cards(subs: Used, job: IntegrateJob) -> list[tuple]:
    """Return the gain used for photon noise, if estimated from the sky alone."""
    if not gain_notes(subs, job):
        return []
    gains = [1 / row.facts["light_variance"] for row, _ in subs if row.facts["light_variance"] > 0]
    if not gains:
        return []
    gain = float(f"{np.median(gains):.3g}")
    return [
        ("GAINMEAS", gain),
        ("GAINSRC", SKY_NOISE),
    ]
