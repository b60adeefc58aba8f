"""One pixel of a channel, sub by sub."""

import json
import math
from collections.abc import Mapping, Sequence
from contextlib import ExitStack
from dataclasses import dataclass, replace

import numpy as np

from platefiles.calibration.master_library import Masters
from platefiles.core.errors import UserError
from platefiles.fits.products_io import map_image, read_header
from platefiles.integration.combined_product import OpenSubs, begin_counts
from platefiles.integration.integrate_job import CombiningJob, IntegrateJob, IntegrateNightJob
from platefiles.integration.integrate_tiles import Integration, Stack
from platefiles.integration.opened_subs import open_subs
from platefiles.integration.tiles import Span
from platefiles.nights.merge_tiles import MergedTile, NightMerge
from platefiles.nights.night_product import NightFile
from platefiles.nights.nights_of_channel import NightsOfChannel
from platefiles.nights.samples import Sample as AnySample
from platefiles.registration.night_registration import reference_of
from platefiles.registration.registration_table import (
    RegisteredSub,
    read_registration,
    read_star_places,
)
from platefiles.subs.hit_pixels import read_hit_pixels
from platelib.integration.rejection_rules import HIGH, INVALID, KEPT, LOW
from platelib.registration.frame_selection import Limits, absolute_weight
from platelib.registration.night_selection import judge_night

FATES = {KEPT: "kept", INVALID: "no data", LOW: "clipped low", HIGH: "clipped high"}
"""What may become of the sample of a sub, by its flag."""


@dataclass(frozen=True)
class Sample:
    """A sub in one pixel of the grid.

    Attributes
    ----------
    name, night : str
    state : str
        State of the sub.
    value, sigma : float
        Calibrated, registered and levelled, in the unit of the channel; NaN for no data.
    weight : float
        Weight in this pixel; 0 for an unused sub.
    fate : str
        One of ``FATES``, or ``not used``.
    """

    name: str
    night: str
    state: str
    value: float
    sigma: float
    weight: float
    fate: str


@dataclass(frozen=True)
class NightSample:
    """The stack of a night in one pixel of the grid.

    Attributes
    ----------
    night : str
    value, sigma : float
        In the unit of the channel; NaN for no data.
    weight : float
        Sum of the weights of its kept subs.
    fate : str
        One of ``FATES``.
    same : bool
        Whether value and sigma follow from its subs, to the last bit.
    """

    night: str
    value: float
    sigma: float
    weight: float
    fate: str
    same: bool


@dataclass(frozen=True)
class Source:
    """What a product was made of.

    Attributes
    ----------
    path : str
        The product.
    job : str
        Its job.
    inputs : mapping of str to sequence of str
        Files by input name of its rule.
    """

    path: str
    job: str
    inputs: Mapping[str, Sequence[str]]


@dataclass(frozen=True)
class PixelHistory:
    """The samples of one pixel of a channel.

    Attributes
    ----------
    samples : tuple of Sample
        In the order of the registration.
    mean, variance : float
        Recomputed from the samples by the method of the channel's step.
    recorded, recorded_variance : float
        Values in the product.
    nights : tuple of NightSample
        Stacks of nights that were merged.
    """

    samples: tuple[Sample, ...]
    mean: float
    variance: float
    recorded: float
    recorded_variance: float
    nights: tuple[NightSample, ...] = ()

    @property
    def same(self) -> bool:
        """Whether mean and variance equal those of the product, to the last bit."""
        again = (self.mean, self.variance) == (self.recorded, self.recorded_variance)
        missing = np.isnan([self.mean, self.recorded]).all()
        return bool(again or missing) and all(night.same for night in self.nights)


def pixel_history(channel: Source, nights: Sequence[Source], x: int, y: int) -> PixelHistory:
    """Integrate one pixel and its surroundings again, from the raw frames.

    Parameters
    ----------
    channel : Source
        Of the rule ``integrate``.
    nights : sequence of Source
        Of the products of nights that were merged.
    x, y : int
        Pixel of the grid, counted from 1 as in FITS.

    Raises
    ------
    UserError
        If the pixel is not in the image.
    """
    given = IntegrateJob.of(json.loads(channel.job))
    inputs = channel.inputs
    registered, shape = read_registration(inputs["registration"][0])
    if not (1 <= x <= shape[1] and 1 <= y <= shape[0]):
        msg = f"--pixel {x} {y}: the image has columns 1 to {shape[1]} and rows 1 to {shape[0]}"
        raise UserError(msg)
    place = (y - 1, y), (x - 1, x)
    stars = read_star_places(inputs["registration"][0])
    own: dict[str, Sample] = {}
    with ExitStack() as stack:
        subs = _open(stack, inputs, registered, given, shape)
        if not nights:
            integration = Integration(subs, shape, given.settings.integration, stars)
            tile = integration.stack(*place)
            own, planes = _samples_of(subs, tile), tile.planes
            merged: tuple[NightSample, ...] = ()
        else:
            begin_counts(registered, {})
            settings = given.settings.integration
            samples = NightsOfChannel(inputs["nights"], registered).samples(subs, settings, shape)
            both = NightMerge(samples, shape, settings, stars).stack(*place)
            members = [row.facts for one in samples for row in one.members]
            unit = max(absolute_weight(facts, settings.weights) for facts in members)
            again = {}
            for source in nights:
                night, of_night, mean = _of_night(source, place)
                again[night] = mean
                for sub_id, one in of_night.items():
                    own[sub_id] = replace(one, weight=one.weight / unit)
            merged = _merged(samples, both, again, unit, own)
            planes = both.planes
    rows = tuple(own.get(row.facts["id"], _unused(row.facts)) for row in registered)
    recorded = [float(map_image(channel.path, name)[y - 1, x - 1]) for name in ("SCI", "VAR")]
    value, spread = (float(planes[name][0, 0]) for name in ("SCI", "VAR"))
    return PixelHistory(rows, value, spread, recorded[0], recorded[1], merged)


def _open(
    stack: ExitStack,
    inputs: Mapping[str, Sequence[str]],
    registered: Sequence[RegisteredSub],
    job: CombiningJob,
    shape: tuple[int, int],
) -> OpenSubs:
    masters, hits = Masters(inputs["masters"]), read_hit_pixels(inputs.get("rays", ()))
    return open_subs(stack, inputs["raw"], masters, registered, hits, job, shape)


def _of_night(source: Source, place: tuple[Span, Span]) -> tuple[str, dict[str, Sample], tuple]:
    """Return a night, its subs in a pixel by id, and their mean and variance.

    The mean is None for a night whose subs are merged one by one.
    """
    given = IntegrateNightJob.of(json.loads(source.job))
    path = source.inputs["registration"][0]
    registered, shape = read_registration(path)
    limits = Limits(**given.settings.quality.model_dump())
    judge_night([row.facts for row in registered], reference_of(read_header(path)), limits)
    if not NightFile.of(source.path).is_stack:
        return given.night, {}, ()
    with ExitStack() as stack:
        subs = _open(stack, source.inputs, registered, given, shape)
        integration = Integration(
            subs, shape, given.settings.integration, read_star_places(path), absolute=True
        )
        tile = integration.stack(*place)
        mean = tuple(float(tile.planes[name][0, 0]) for name in ("SCI", "VAR"))
        return given.night, _samples_of(subs, tile), mean


def _samples_of(subs: OpenSubs, tile: Stack) -> dict[str, Sample]:
    """Return the samples of subs in the pixel of a tile, by id."""
    inside = (slice(None), tile.inner[0].start, tile.inner[1].start)
    return {
        row.facts["id"]: _sample(row.facts, *values)
        for (row, _), *values in zip(
            subs,
            tile.values[inside].tolist(),
            np.sqrt(tile.variances[inside]).tolist(),
            tile.weights.at(*(part.start for part in tile.inner)).tolist(),
            tile.flags[inside].tolist(),
            strict=True,
        )
    }


def _merged(
    samples: Sequence[AnySample],
    tile: MergedTile,
    again: Mapping[str, tuple],
    unit: float,
    own: dict[str, Sample],
) -> tuple[NightSample, ...]:
    """Return the stacks in a pixel; single subs are added to ``own``."""
    inside = (slice(None), tile.inner[0].start, tile.inner[1].start)
    columns = (
        tile.samples.values[inside].tolist(),
        tile.samples.variances[inside].tolist(),
        (tile.samples.weights[inside] / unit).tolist(),
        tile.flags[inside].tolist(),
    )
    found = []
    for sample, value, variance, weight, flag in zip(samples, *columns, strict=True):
        sigma = math.sqrt(variance)
        if sample.is_stack:
            same = np.array_equal(again[sample.night], (value, variance), equal_nan=True)
            found.append(NightSample(sample.night, value, sigma, weight, FATES[flag], same))
        else:
            facts = sample.members[0].facts
            own[facts["id"]] = _sample(facts, value, sigma, weight, flag)
    return tuple(found)


def _sample(facts: Mapping, value: float, sigma: float, weight: float, flag: int) -> Sample:
    return Sample(facts["name"], facts["night"], facts["state"], value, sigma, weight, FATES[flag])


def _unused(facts: Mapping) -> Sample:
    about = (facts["name"], facts["night"], facts["state"])
    return Sample(*about, float("nan"), float("nan"), 0.0, "not used")
