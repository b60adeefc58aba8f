"""One pixel of a channel, sub by sub."""

import json
from collections.abc import Mapping, Sequence
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from platefiles.calibration.master_library import Masters
from platefiles.core.errors import UserError
from platefiles.fits.products_io import map_image
from platefiles.integration.integrate_job import IntegrateJob
from platefiles.integration.integrate_tiles import Integration, open_subs
from platefiles.registration.registration_table import read_registration, read_star_places
from platefiles.subs.hit_pixels import read_hit_pixels
from platelib.integration.rejection_rules import HIGH, INVALID, KEPT, LOW

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
    """

    samples: tuple[Sample, ...]
    mean: float
    variance: float
    recorded: float
    recorded_variance: float

    @property
    def same(self) -> bool:
        """Whether mean and variance equal those of the product, to the last bit."""
        again = np.array([self.mean, self.variance])
        return np.array_equal(again, [self.recorded, self.recorded_variance], equal_nan=True)


def pixel_history(
    path_to_channel: str | Path, job: str, inputs: Mapping[str, Sequence[str]], x: int, y: int
) -> PixelHistory:
    """Integrate one pixel and its surroundings again, from the raw frames.

    Parameters
    ----------
    path_to_channel : path-like
        The product.
    job : str
        Job of the product.
    inputs : mapping of str to sequence of str
        Files by input name of the rule ``integrate``.
    x, y : int
        Pixel of the grid, counted from 1 as in FITS.

    Raises
    ------
    UserError
        If the pixel is not in the image.
    """
    given = IntegrateJob.of(json.loads(job))
    registered, (ny, nx) = read_registration(inputs["registration"][0])
    if not (1 <= x <= nx and 1 <= y <= ny):
        msg = f"--pixel {x} {y}: the image has columns 1 to {nx} and rows 1 to {ny}"
        raise UserError(msg)
    row, column = (y - 1, y), (x - 1, x)
    with ExitStack() as stack:
        masters, hits = Masters(inputs["masters"]), read_hit_pixels(inputs.get("rays", ()))
        subs = open_subs(stack, inputs["raw"], masters, registered, hits, given, (ny, nx))
        stars = read_star_places(inputs["registration"][0])
        integration = Integration(subs, (ny, nx), given.settings.integration, stars)
        tile = integration.stack(row, column)
        planes = tile.planes
        inside = (slice(None), tile.inner[0].start, tile.inner[1].start)
        found = {
            sub.facts["id"]: values
            for (sub, _), *values in zip(
                subs,
                tile.values[inside].tolist(),
                np.sqrt(tile.variances[inside]).tolist(),
                tile.weights.at(*(part.start for part in tile.inner)).tolist(),
                tile.flags[inside].tolist(),
                strict=True,
            )
        }
    samples = tuple(_sample(sub.facts, found.get(sub.facts["id"])) for sub in registered)
    recorded = [float(map_image(path_to_channel, name)[y - 1, x - 1]) for name in ("SCI", "VAR")]
    return PixelHistory(samples, *(float(planes[n][0, 0]) for n in ("SCI", "VAR")), *recorded)


def _sample(facts: Mapping, values: Sequence | None) -> Sample:
    about = (facts["name"], facts["night"], facts["state"])
    if values is None:
        return Sample(*about, float("nan"), float("nan"), 0.0, "not used")
    value, sigma, weight, flag = values
    return Sample(*about, value, sigma, weight, FATES[flag])
