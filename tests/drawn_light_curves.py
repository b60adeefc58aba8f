"""Flux series whose truth is known: clouds, seeing, drift over a flat's residue, variables."""

from dataclasses import dataclass

import numpy as np
from scipy.ndimage import gaussian_filter, map_coordinates

from platelib.light_curves.flux_series import FluxSeries
from platelib.photometry.scintillation import Telescope, scintillation

WIDTH_PX, HEIGHT_PX = 4600, 3500
TELESCOPE = Telescope(diameter_m=0.2, elevation_m=300.0)
_BETA, _RADIUS_PX = 3.3, 6.0


@dataclass(frozen=True)
class Plan:
    """What is drawn."""

    n_stars: int = 3000
    n_subs: int = 120
    n_nights: int = 4
    n_variables: int = 200
    cadence_s: float = 150.0
    exposure_s: float = 120.0
    flat_residue: float = 0.004
    cloud: float = 0.3
    blends: float = 0.05
    colour_extinction: float = 0.02
    faintest: float = 16.5


@dataclass(frozen=True, eq=False)
class Truth:
    """What was drawn."""

    kind: np.ndarray
    """``(n_stars,)``: "" for constant stars, "sine", "eclipse" or "flare"."""
    amplitude: np.ndarray
    """``(n_stars,)`` magnitudes, peak to peak or of the flare."""
    period_d: np.ndarray
    brightness: np.ndarray
    """``(n_subs, n_stars)``: flux over that of the constant star."""
    zero_point: np.ndarray
    """``(n_subs,)`` magnitudes in the middle of the field."""
    degree: np.ndarray
    """``(n_subs,)`` of the clouds."""


def draw(seed: int, plan: Plan = Plan()) -> tuple[FluxSeries, Truth]:  # noqa: B008
    """Draw fluxes in two apertures, fixed and scaled with the star image."""
    rng = np.random.default_rng(seed)
    time, night, hour = _times(plan, rng)
    airmass = 1.05 + 0.06 * (hour - rng.uniform(-1, 1, plan.n_nights)[night]) ** 2
    place = rng.uniform(0, 1, (plan.n_stars, 2)) * (WIDTH_PX, HEIGHT_PX)
    magnitude = plan.faintest - rng.exponential(1 / (0.3 * np.log(10)), plan.n_stars)
    magnitude = np.clip(magnitude, 7.5, None)
    colour = rng.normal(0.8, 0.35, plan.n_stars)
    cloud, zero_point, degree = _clouds(plan, night, place, rng)
    fwhm = 3.2 * np.exp(gaussian_filter(rng.normal(0, 1.0, plan.n_subs), 3.0) * 0.6)
    sensor = place + _drift(plan, night, hour, rng)[:, None, :]
    kind, amplitude, period, brightness = _variables(plan, time, magnitude, rng)
    clean = 10 ** (-0.4 * (magnitude - 7.5)) * 2.5e4 * plan.exposure_s * brightness * cloud
    second = -plan.colour_extinction * (colour - 0.8) * (airmass[:, None] - 1.0)
    clean = clean * 10 ** (-0.4 * second) * _flat(plan, sensor, rng)
    sigma = scintillation(TELESCOPE, airmass, np.full(plan.n_subs, plan.exposure_s))
    clean = clean * (1 + sigma[:, None] * rng.normal(0, 1, clean.shape))
    flux, error = _measured(plan, clean, fwhm, place, rng)
    known = np.where(rng.random(plan.n_stars) < 0.6, colour, np.nan)
    transparency = 10 ** (-0.4 * zero_point)
    series = FluxSeries(
        flux=flux,
        error=error,
        time_jd=time,
        exposure_s=np.full(plan.n_subs, plan.exposure_s),
        place=place,
        magnitude=magnitude,
        airmass=airmass,
        transparency=np.where(rng.random(plan.n_subs) < 0.9, transparency, np.nan),
        colour=known,
        fwhm_px=fwhm,
        sensor=sensor,
    )
    return series, Truth(kind, amplitude, period, brightness, zero_point, degree)


def _times(plan: Plan, rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Mid-exposures, numbers of nights, and hours from the middle of the night."""
    share = np.array_split(np.arange(plan.n_subs), plan.n_nights)
    night = np.concatenate([np.full(len(part), k) for k, part in enumerate(share)])
    step = np.concatenate([np.arange(len(part)) - len(part) / 2 for part in share])
    # Few subs a night are spread over some hours.
    pace = max(plan.cadence_s / 3600, 2.5 / max(len(share[0]), 1))
    hour = step * pace + rng.uniform(-0.005, 0.005, plan.n_subs)
    days = np.concatenate([[0], np.cumsum(rng.integers(1, 3, max(plan.n_nights - 1, 0)))])
    return 2461000.75 + days[night] + hour / 24, night, hour


def _clouds(
    plan: Plan, night: np.ndarray, place: np.ndarray, rng: np.random.Generator
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Transparency, ``(n_subs, n_stars)``; some nights are clear, some have gradients."""
    u, v = (place / (WIDTH_PX, HEIGHT_PX) * 2 - 1).T
    cloudy = (rng.random(plan.n_nights) < 0.6)[night]
    walk = gaussian_filter(rng.normal(0, 1, (6, plan.n_subs)), (0, 2.0)) * 2.5
    loss = np.where(cloudy, plan.cloud * np.abs(walk[0]), 0.02 * np.abs(walk[0]))
    tilt = np.where(cloudy, 0.08 * plan.cloud, 0.0)
    curve = np.where(cloudy & (walk[5] > 0.8), 0.06 * plan.cloud, 0.0)
    field = (tilt * walk[1])[:, None] * u + (tilt * walk[2])[:, None] * v
    field = field + (curve * walk[3])[:, None] * u * v + (curve * walk[4])[:, None] * u * u
    degree = np.where(curve > 0, 2, np.where(tilt > 0, 1, 0))
    return 10 ** (-0.4 * (loss[:, None] + field)), loss, degree


def _drift(plan: Plan, night: np.ndarray, hour: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """Return the offset of each sub on the sensor, ``(n_subs, 2)`` px."""
    nightly = rng.uniform(-25, 25, (plan.n_nights, 2))[night]
    return nightly + hour[:, None] * (6.0, -3.0) + rng.uniform(-4, 4, (plan.n_subs, 2))


def _flat(plan: Plan, sensor: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """Return the residue of the flat field at each star, relative to 1."""
    step = 10
    shape = (HEIGHT_PX // step + 20, WIDTH_PX // step + 20)
    at = np.stack([sensor[..., 1] / step + 10, sensor[..., 0] / step + 10])
    residue = np.zeros(sensor.shape[:2])
    for length, share in ((40.0, 1.0), (3.0, 0.35)):
        field = gaussian_filter(rng.normal(0, 1, shape), length, mode="reflect")
        residue += share * map_coordinates(field / field.std(), at, order=1, mode="nearest")
    return 1 + plan.flat_residue * residue


def _measured(
    plan: Plan, clean: np.ndarray, fwhm: np.ndarray, place: np.ndarray, rng: np.random.Generator
) -> tuple[np.ndarray, np.ndarray]:
    """Return fluxes and errors in a fixed aperture and in one of 1.7 FWHM."""
    radial = ((place / (WIDTH_PX, HEIGHT_PX) * 2 - 1) ** 2).sum(axis=1)
    local = fwhm[:, None] * (1 + 0.05 * radial)
    alpha = local / (2 * np.sqrt(2 ** (1 / _BETA) - 1))
    blended = rng.random(plan.n_stars) < plan.blends
    neighbour = np.where(blended, rng.uniform(0, 0.1, plan.n_stars), 0.0)
    distance = rng.uniform(7, 12, plan.n_stars)
    radii = np.array([np.full(plan.n_subs, _RADIUS_PX), 1.7 * fwhm])[:, :, None]
    inside = 1 - (1 + (radii / alpha) ** 2) ** (1 - _BETA)
    spilled = 0.5 * (1 + (np.maximum(distance - radii, 0.5) / alpha) ** 2) ** (1 - _BETA)
    sky = np.pi * radii**2 * 60.0
    light = clean * (inside + neighbour * spilled)
    error = np.sqrt(light + sky)
    # Two apertures of one exposure share most of their noise.
    common = rng.normal(0, 1, clean.shape)
    return light + error * common, np.sqrt(np.maximum(light + error * common, 0) + sky)


def _variables(
    plan: Plan, time: np.ndarray, magnitude: np.ndarray, rng: np.random.Generator
) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Return kinds, amplitudes, periods and brightness of all stars."""
    kind = np.full(plan.n_stars, "", dtype="U8")
    amplitude, period = np.zeros(plan.n_stars), np.full(plan.n_stars, np.nan)
    brightness = np.ones((len(time), plan.n_stars))
    chosen = rng.choice(plan.n_stars, plan.n_variables, replace=False)
    kinds = rng.choice(["sine", "eclipse", "flare"], plan.n_variables, p=[0.6, 0.2, 0.2])
    for star, one in zip(chosen.tolist(), kinds.tolist(), strict=True):
        size, days = 10 ** rng.uniform(-2, 0), 10 ** rng.uniform(np.log10(0.05), np.log10(3))
        phase = (time - time[0]) / days + rng.random()
        if one == "sine":
            change = 0.5 * size * np.sin(2 * np.pi * phase)
        elif one == "eclipse":
            away = np.abs((phase + 0.5) % 1 - 0.5)
            change = size * np.clip((0.08 - away) / 0.04, 0, 1)
        else:
            start, decay = rng.choice(time), 10 ** rng.uniform(-2.3, -1.5)
            late = time - start
            change = -size * np.where(late >= 0, np.exp(-np.maximum(late, 0) / decay), 0.0)
        kind[star], amplitude[star] = one, size
        period[star] = days if one != "flare" else np.nan
        brightness[:, star] = 10 ** (-0.4 * change)
    return kind, amplitude, period, brightness
