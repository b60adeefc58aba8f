"""An invented piece of sky: stars, small galaxies and a spiral galaxy, before any camera sees it.

Scene pixels are the pixels of a camera pointed exactly at the middle of the scene, unturned:
pixel centres are integers, 0-based, ``image[y, x]``. Extended light is kept on a canvas that is
`SceneSpec.margin_px` wider on every side. All rates are electrons per second.
"""

from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt
from astropy.table import Table

from platelib.simulate.galaxies import (
    ClusterSpec,
    cluster_table,
    paint_cluster,
    paint_spiral,
)
from platelib.simulate.passbands import BandSpec, flux_ratio
from platelib.simulate.spiral import SpiralSpec

Image = npt.NDArray[np.float32]


@dataclass(frozen=True)
class MoverSpec:
    """A moving object: place at time 0 (scene pixels), motion, and magnitude in the first band.

    Attributes
    ----------
    x_px, y_px : float
        Scene place at time 0.
    rate_x_px_h, rate_y_px_h : float
        Motion against the stars, pixels an hour.
    magnitude : float
        Magnitude on the scene's scale; its colour is that of sunlight (5800 K).
    """

    x_px: float
    y_px: float
    rate_x_px_h: float
    rate_y_px_h: float
    magnitude: float


@dataclass(frozen=True)
class VariableSpec:
    """A star whose brightness follows a sine: place, mean magnitude, half range and period.

    Attributes
    ----------
    x_px, y_px : float
        Scene place.
    magnitude, amplitude_mag : float
        Mean magnitude, and half of the range.
    period_h : float
        Period, hours; at time 0 the star is at its mean and brightening.
    temperature_k : float
        Colour temperature.
    """

    x_px: float
    y_px: float
    magnitude: float
    amplitude_mag: float = 0.25
    period_h: float = 2.6
    temperature_k: float = 6800.0


@dataclass(frozen=True)
class SceneSpec:
    """Settings of a scene.

    Attributes
    ----------
    width_px, height_px, margin_px : int
        Size of the pointed frame, and the canvas beyond it on every side.
    seed : int
        Seed of all places, colours and shapes.
    bands : tuple of BandSpec
        The channels; magnitudes belong to the band at `zero_point`.
    zero_point : float
        Magnitude that gives one electron per second in a band of response 1.
    star_count : int
        Stars inside the pointed frame.
    brightest_mag, faintest_mag : float
        Range of the star magnitudes.
    count_ratio : float
        Stars of one magnitude for each star one magnitude brighter.
    bright_stars : tuple of (x, y, magnitude, temperature)
        Stars set by hand.
    spiral, cluster, mover, variable
        Optional objects.
    """

    width_px: int
    height_px: int
    bands: tuple[BandSpec, ...]
    margin_px: int = 40
    seed: int = 5
    zero_point: float = 20.2
    star_count: int = 120
    brightest_mag: float = 10.5
    faintest_mag: float = 17.0
    count_ratio: float = 2.2
    bright_stars: tuple[tuple[float, float, float, float], ...] = ()
    spiral: SpiralSpec | None = None
    cluster: ClusterSpec | None = None
    mover: MoverSpec | None = None
    variable: VariableSpec | None = None


@dataclass(frozen=True)
class Scene:
    """A scene ready to be looked at.

    Attributes
    ----------
    spec : SceneSpec
    bands : dict of str to BandSpec
        Bands by name.
    stars : astropy.table.Table
        Columns id, x, y (scene pixels), magnitude, temperature_k, variable, flux_<band> (e-/s).
    galaxies : astropy.table.Table
        Small galaxies, see `platelib.simulate.galaxies.cluster_table`.
    h2_regions : astropy.table.Table
        H II regions: x, y, radius_px, line_e_s (in a line band), magnitude (their star clusters).
    extended : dict of str to ndarray, shape (ny + 2 * margin, nx + 2 * margin), float32
        Extended light of each band on the canvas, unblurred, electrons per second and pixel.
    """

    spec: SceneSpec
    bands: dict[str, BandSpec]
    stars: Table
    galaxies: Table
    h2_regions: Table
    extended: dict[str, Image] = field(repr=False)


def build_scene(spec: SceneSpec) -> Scene:
    """Build a scene; the same settings give the same scene.

    Parameters
    ----------
    spec : SceneSpec

    Returns
    -------
    Scene

    Raises
    ------
    ValueError
        If there is no band, or two bands share a name.
    """
    bands = {band.name: band for band in spec.bands}
    if not bands or len(bands) != len(spec.bands):
        msg = "a scene needs at least one band, each with a name of its own"
        raise ValueError(msg)
    margin = spec.margin_px
    shape = (spec.height_px + 2 * margin, spec.width_px + 2 * margin)
    extended = {name: np.zeros(shape, dtype=np.float32) for name in bands}
    galaxies, h2_regions = Table(), Table()
    if spec.cluster is not None:
        galaxies = cluster_table(spec.cluster, spec.width_px, spec.height_px, margin, spec.seed)
        paint_cluster(extended, galaxies, spec.bands, spec.zero_point, margin)
    if spec.spiral is not None:
        h2_regions = paint_spiral(extended, spec.spiral, spec.bands, spec.zero_point, margin)
    return Scene(spec, bands, _star_table(spec), galaxies, h2_regions, extended)


def star_rates(scene: Scene, band: str, time_h: float) -> npt.NDArray[np.float64]:
    """Return the rate of every star at one time, the variable star included.

    Parameters
    ----------
    scene : Scene
    band : str
        Name of a band.
    time_h : float
        Hours since the scene's time 0.

    Returns
    -------
    ndarray, shape (n,), float64
        Electrons per second, in the order of `Scene.stars`.
    """
    rates = np.array(scene.stars[f"flux_{band}"], dtype=np.float64)
    variable = scene.spec.variable
    if variable is not None:
        phase = 2.0 * np.pi * time_h / variable.period_h
        brighter = variable.amplitude_mag * np.sin(phase)
        rates[np.asarray(scene.stars["variable"])] *= 10.0 ** (0.4 * brighter)
    return rates


def mover_place(mover: MoverSpec, time_h: float) -> tuple[float, float]:
    """Return the scene place of a moving object.

    Parameters
    ----------
    mover : MoverSpec
    time_h : float
        Hours since the scene's time 0.

    Returns
    -------
    x_px, y_px : float
        Scene pixels.
    """
    return (
        mover.x_px + mover.rate_x_px_h * time_h,
        mover.y_px + mover.rate_y_px_h * time_h,
    )


def _star_table(spec: SceneSpec) -> Table:
    """Draw the stars: counts rising geometrically with magnitude, temperatures log-normal."""
    rng = np.random.default_rng([spec.seed, 3])
    margin = spec.margin_px
    wide, high = spec.width_px + 2 * margin, spec.height_px + 2 * margin
    count = round(spec.star_count * wide * high / (spec.width_px * spec.height_px))
    x = rng.uniform(-margin - 0.5, wide - margin - 0.5, count)
    y = rng.uniform(-margin - 0.5, high - margin - 0.5, count)
    slope = np.log(spec.count_ratio)
    depth = np.exp(slope * (spec.brightest_mag - spec.faintest_mag))
    magnitude = spec.faintest_mag + np.log(rng.uniform(depth, 1.0, count)) / slope
    temperature = np.clip(5600.0 * np.exp(0.28 * rng.standard_normal(count)), 3000.0, 18000.0)
    rows = np.column_stack([x, y, magnitude, temperature])
    if spec.bright_stars:
        rows = np.vstack([rows, np.array(spec.bright_stars, dtype=np.float64)])
    variable = np.zeros(len(rows), dtype=bool)
    if spec.variable is not None:
        star = spec.variable
        rows = np.vstack([rows, [star.x_px, star.y_px, star.magnitude, star.temperature_k]])
        variable = np.append(variable, True)
    table = Table({"id": np.arange(len(rows)), "x": rows[:, 0], "y": rows[:, 1]})
    table["magnitude"] = rows[:, 2]
    table["temperature_k"] = rows[:, 3]
    table["variable"] = variable
    for band in spec.bands:
        reference = 10.0 ** (-0.4 * (rows[:, 2] - spec.zero_point))
        table[f"flux_{band.name}"] = reference * flux_ratio(band, rows[:, 3])
    return table
