"""Measure the depth of each channel, its growth, and the gain of more exposure."""

import json
import math
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np

from platefiles.astrometry.solution import read_map
from platefiles.fits.products_io import read_image, write_product
from platefiles.jobs.job_log import job_log, log
from platefiles.photometry.depth_table import depth_hdus
from platefiles.photometry.zero_points import ChannelZeroPoint, read_zero_points
from platefiles.provenance.header_provenance import making_cards
from platefiles.provenance.record import record_hdu
from platefiles.registration.registration_table import read_registration
from platefiles.settings.field import Depth
from platefiles.settings.job import JobSettings, Names, StepJob
from platefiles.subs.measures import MeasuredSub, read_measures
from platelib.calibration.photon_transfer import SKY_NOISE
from platelib.depth.depth_growth import UsedSub, growth
from platelib.depth.exposure_planning import (
    SubNoise,
    balance_hours,
    expected_rate,
    hours_for_gain,
    read_noise_share,
    shortest_subs_s,
)
from platelib.depth.limiting_magnitude import SNR, Limit, limit_of, magnitude
from platelib.registration.sub_state import SubState
from platelib.sources.aperture_noise import aperture_noise, circle_sums
from platelib.sources.background_subtracted import FieldSky, field_sky
from platelib.sources.empirical_psf import StarCopies

SEED = 20
"""Of the places of circles and injected stars; fixed, so that equal channels give equal numbers."""

_AREA_ARCSEC2 = 100.0
_SURFACE_SIGMA = 3.0
_COMMON_SNR = 20.0
_FEWEST_COMMON = 5
_NAN = math.nan


class _Channel:
    """A channel with its subs and measurements, without the image.

    Its light is that of `common`, stars of the first channel that has some.
    """

    def __init__(
        self,
        name: str,
        path: str | Path,
        registration: str | Path,
        measured: Mapping[str, MeasuredSub],
        scale_arcsec: float,
        common: StarCopies | None,
    ):
        self.name = name
        registered, _ = read_registration(registration)
        self.subs = [sub.facts for sub in registered if sub.facts["state"] == SubState.USED]
        self.measures = [measured[sub["id"]].facts for sub in self.subs]
        self.limit: Limit | None = None
        self.note = ""
        self.common = common
        field = _field(path)
        try:
            self.limit = limit_of(field, SEED)
        except ValueError as why:
            self.note = str(why)
            return
        self.pixel_noise = field.pixel_noise
        self.surface_noise = _surface_noise(field, scale_arcsec)
        self.common = stars = common or self.limit.stars
        self.light, self.light_noise = circle_sums(field, stars.x, stars.y, stars.radius_px)

    @property
    def exposure_s(self) -> float:
        """Total exposure, NaN if that of a sub is unknown."""
        return float(sum(sub["exposure_s"] or _NAN for sub in self.subs))

    def noises(self) -> list[SubNoise]:
        """Sky and read noise of the subs in electrons; empty if the gain is unknown."""
        known = (row["gain"] > 0 and row["gain_source"] != SKY_NOISE for row in self.measures)
        if not all(known) or not all(row["read_noise"] > 0 for row in self.measures):
            return []
        return [SubNoise(row["exposure_s"], row["sky"], row["read_noise"]) for row in self.measures]


class _Settings(JobSettings):
    depth: Depth


class Job(StepJob):
    """The job of measurement: channels in order, and the surface brightness."""

    settings: _Settings
    channels: Names
    calibrated: bool


def measure_depth(
    path_to_solution: str | Path,
    path_to_zero_points: str | Path,
    paths_to_channels: Sequence[str | Path],
    paths_to_registrations: Sequence[str | Path],
    paths_to_measures: Sequence[str | Path],
    path_to_depth: str | Path,
    job: Mapping[str, Any],
) -> None:
    """Write the depth of a project.

    Parameters
    ----------
    path_to_solution, path_to_zero_points : path-like
        Place of the grid on the sky and magnitudes of the channels.
    paths_to_channels, paths_to_registrations : sequence of path-like
        One of each for each channel, in the order of ``job.channels``.
    paths_to_measures : sequence of path-like
        Measures of all nights of all channels.
    path_to_depth : path-like
        Product: ``CHANNELS``, ``NIGHTS`` and ``COMPLETENESS``.
    job : mapping
        See `Job`.
    """
    given = Job.of(job)
    measured = {sub.id: sub for sub in read_measures(paths_to_measures)}
    zero_points = read_zero_points(path_to_zero_points)
    sky_map = read_map(path_to_solution)
    scale = _NAN if sky_map is None else sky_map.scale_arcsec
    channels: list[_Channel] = []
    common: StarCopies | None = None
    for name, path, registration in zip(
        given.channels, paths_to_channels, paths_to_registrations, strict=True
    ):
        channels.append(_Channel(name, path, registration, measured, scale, common))
        common = channels[-1].common
    balance = _noise_over_star(channels)
    tables: dict[str, list[dict[str, Any]]] = {"CHANNELS": [], "NIGHTS": [], "COMPLETENESS": []}
    for channel in channels:
        known = zero_points.get(channel.name)
        zero_point = known.zero_point_mag if known and math.isfinite(known.zero_point_mag) else None
        row = _row(channel, zero_point, given)
        row |= _facts(channel, known)
        row |= _plan(channel, balance, {c.name: c.exposure_s for c in channels})
        tables["CHANNELS"].append(_rounded(row))
        tables["NIGHTS"] += _nights(channel, row["limit_mag"])
        tables["COMPLETENESS"] += _completeness(channel, row["limit_mag"])
        log.info("%s: limit %.3f mag %s", channel.name, row["limit_mag"], row["note"])
    surface = given.settings.depth.surface_brightness
    cards = [
        *making_cards("measure_depth", job),
        ("SURFMAG", surface),
    ]
    inputs = {
        "solution": [path_to_solution],
        "zero_points": [path_to_zero_points],
        "channels": paths_to_channels,
        "registrations": paths_to_registrations,
        "measures": paths_to_measures,
    }
    record = record_hdu("measure_depth", path_to_depth, job, inputs)
    write_product(path_to_depth, cards, [*depth_hdus(tables), record])


def _field(path: str | Path) -> FieldSky:
    (image, _), (variance, _) = read_image(path), read_image(path, "VAR")
    return field_sky(image, variance, read_image(path, "COUNT")[0])


def _row(channel: _Channel, zero_point: float | None, job: Job) -> dict[str, Any]:
    """Return the limits of a channel."""
    row: dict[str, Any] = dict.fromkeys(
        (
            "limit_mag", "limit_flux", "injected_limit_mag", "injected_error_mag",
            "expected_limit_mag", "radius_px", "share", "noise", "noise_factor", "half_light_px",
            "surface_limit_mag", "surface_snr",
        ),
        _NAN,
    )  # fmt: skip
    row |= {"zero_point_mag": _NAN if zero_point is None else zero_point, "note": channel.note}
    limit = channel.limit
    if limit is None:
        return row
    row |= {
        "limit_mag": magnitude(limit.flux, zero_point),
        "limit_flux": limit.flux,
        "radius_px": limit.noise.radius_px,
        "share": limit.share,
        "noise": limit.noise.sigma,
        "noise_factor": limit.noise.factor,
        "half_light_px": limit.stars.half_light_px,
    }
    if limit.check is None:
        row["note"] = "there is too little empty sky for injected stars"
    else:
        row["injected_limit_mag"] = row["limit_mag"] + limit.check.half_mag
        row["injected_error_mag"] = limit.check.error_mag
    if not job.calibrated:
        row["expected_limit_mag"] = _expected(channel, limit, zero_point)
    if zero_point is None:
        row["note"] = row["note"] or "no zero point: magnitudes are instrumental"
    elif math.isfinite(channel.surface_noise):
        signal = 10 ** (-0.4 * (job.settings.depth.surface_brightness - zero_point))
        faintest = magnitude(_SURFACE_SIGMA * channel.surface_noise, zero_point)
        row |= {"surface_limit_mag": faintest, "surface_snr": signal / channel.surface_noise}
    return row


def _expected(channel: _Channel, limit: Limit, zero_point: float | None) -> float:
    noises = channel.noises()
    scales = [sub["scale"] for sub in channel.subs]
    pixels = math.pi * limit.noise.radius_px**2
    if not noises:
        return _NAN
    return magnitude(expected_rate(noises, scales, pixels, limit.share, SNR), zero_point)


def _surface_noise(field: FieldSky, scale_arcsec: float) -> float:
    """Return the noise of the surface brightness in 100 square arc seconds, NaN if unknown."""
    if not math.isfinite(scale_arcsec):
        return _NAN
    radius = max(1.0, math.sqrt(_AREA_ARCSEC2 / math.pi) / scale_arcsec)
    area = math.pi * (radius * scale_arcsec) ** 2
    try:
        sigma = aperture_noise(field, radius, SEED).sigma
    except ValueError:
        return _NAN
    # A circle that had to be larger than 100 square arc seconds is scaled to that area.
    return sigma / math.sqrt(area * _AREA_ARCSEC2)


def _facts(channel: _Channel, known: ChannelZeroPoint | None) -> dict[str, Any]:
    return {
        "channel": channel.name,
        "calibrated": bool(known and known.calibrated),
        "subs": len(channel.subs),
        "exposure_s": channel.exposure_s,
    }


def _noise_over_star(channels: Sequence[_Channel]) -> dict[str, float]:
    """Return each channel's noise / light of the same stars, relative to the best channel."""
    first = next((c for c in channels if c.limit is not None), None)
    found: dict[str, float] = {}
    for channel in channels:
        found[channel.name] = _NAN
        if first is None or channel.limit is None:
            continue
        flux, own = channel.light, first.light
        good = (flux > _COMMON_SNR * channel.light_noise) & (own > 0)
        if good.sum() >= _FEWEST_COMMON:
            ratio = float(np.median(flux[good] / own[good]))
            found[channel.name] = channel.pixel_noise * channel.limit.noise.factor / ratio
    best = min((value for value in found.values() if math.isfinite(value)), default=_NAN)
    return {name: value / best for name, value in found.items()}


def _plan(
    channel: _Channel, balance: Mapping[str, float], exposures: Mapping[str, float]
) -> dict[str, Any]:
    noises = channel.noises()
    usual, darkest = shortest_subs_s(noises)
    return {
        "hours_for_02_mag": hours_for_gain(channel.exposure_s, 0.2),
        "hours_for_05_mag": hours_for_gain(channel.exposure_s, 0.5),
        "hours_to_balance": balance_hours(exposures, balance)[channel.name],
        "noise_over_star": balance[channel.name],
        "shortest_sub_s": usual,
        "shortest_dark_sub_s": darkest,
        "read_noise_share": read_noise_share(noises),
    }


def _nights(channel: _Channel, limit_mag: float) -> list[dict[str, Any]]:
    subs = [
        UsedSub(
            sub["night"],
            sub["exposure_s"] or _NAN,
            sub["noise_rate"],
            sub["fwhm_px"],
            sub["weight"],
        )
        for sub in channel.subs
    ]
    return [
        {
            "channel": channel.name,
            "night": one.night,
            "subs": one.subs,
            "exposure_s": one.exposure_s,
            "total_exposure_s": one.total_exposure_s,
            "limit_mag": round(limit_mag - one.behind_mag, 4),
            "gain_mag": one.gain_mag,
        }
        for one in growth(subs)
    ]


def _completeness(channel: _Channel, limit_mag: float) -> list[dict[str, Any]]:
    check = channel.limit.check if channel.limit else None
    if check is None:
        return []
    return [
        {
            "channel": channel.name,
            "magnitude": round(limit_mag + float(step), 4),
            "injected": int(injected),
            "found": int(found),
        }
        for step, injected, found in zip(check.step_mag, check.injected, check.found, strict=True)
    ]


def _rounded(row: Mapping[str, Any]) -> dict[str, Any]:
    """Round to more digits than needed, so that last bits do not propagate."""
    return {
        name: (round(value, 4) if name.endswith("mag") else float(f"{value:.6g}"))
        if isinstance(value, float)
        else value
        for name, value in row.items()
    }


if __name__ == "__main__":
    with job_log(snakemake.log[0], snakemake.params.job, snakemake.output[0]):
        measure_depth(
            path_to_solution=snakemake.input.solution,
            path_to_zero_points=snakemake.input.zero_points,
            paths_to_channels=snakemake.input.channels,
            paths_to_registrations=snakemake.input.registrations,
            paths_to_measures=snakemake.input.measures,
            path_to_depth=snakemake.output[0],
            job=json.loads(snakemake.params.job),
        )
