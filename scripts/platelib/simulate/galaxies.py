"""Extended objects of a simulated sky: a cluster of small galaxies and one large spiral."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from astropy.table import Table

from platelib.simulate.passbands import BandSpec, flux_ratio
from platelib.simulate.spiral import SpiralSpec, spiral_fields, spiral_regions

Image = npt.NDArray[np.float32]

_OLD_K = 4100.0
_DISC_K = 4800.0
_YOUNG_K = 20000.0
_REDDENING = 1.5
_FINE = 5


@dataclass(frozen=True)
class ClusterSpec:
    """Settings of a cluster of small galaxies.

    Attributes
    ----------
    count : int
        Number of galaxies on the canvas.
    x_px, y_px, spread_px : float
        Middle of the cluster (scene pixels) and its standard deviation; a third of the galaxies
        are strewn evenly.
    brightest_mag, faintest_mag : float
        Range of magnitudes. The brightest is an elliptical in the middle of the cluster.
    size_mag : float
        Magnitude at which half of the light lies within 2.6 px.
    """

    count: int
    x_px: float
    y_px: float
    spread_px: float
    brightest_mag: float = 13.2
    faintest_mag: float = 18.6
    size_mag: float = 17.0


def cluster_table(
    spec: ClusterSpec, width_px: int, height_px: int, margin_px: int, seed: int
) -> Table:
    """Draw the members of a cluster.

    Parameters
    ----------
    spec : ClusterSpec
    width_px, height_px, margin_px : int
        Size of the pointed frame and of the canvas around it.
    seed : int

    Returns
    -------
    astropy.table.Table
        Columns id, x, y (scene pixels), magnitude, radius_px (half light), axis_ratio, angle_deg
        (from +x to +y), sersic, temperature_k; brightest first.
    """
    rng = np.random.default_rng([seed, 4])
    count = spec.count
    strewn = rng.random(count) < 0.33
    x = spec.x_px + spec.spread_px * rng.standard_normal(count)
    y = spec.y_px + spec.spread_px * rng.standard_normal(count)
    x = np.where(strewn, rng.uniform(-margin_px, width_px + margin_px, count), x)
    y = np.where(strewn, rng.uniform(-margin_px, height_px + margin_px, count), y)
    steps = np.sort(rng.random(count)) ** 0.6
    magnitude = spec.brightest_mag + 1.0 + (spec.faintest_mag - spec.brightest_mag - 1.0) * steps
    elliptical = rng.random(count) < 0.55
    x[:1], y[:1], magnitude[:1], elliptical[:1] = spec.x_px, spec.y_px, spec.brightest_mag, True
    radius = (
        2.6
        * 10.0 ** (-0.12 * (magnitude - spec.size_mag))
        * np.exp(0.2 * rng.standard_normal(count))
    )
    ratio = np.where(elliptical, rng.uniform(0.6, 0.98, count), rng.uniform(0.2, 0.95, count))
    warmth = np.where(elliptical, 4050.0, 5600.0) * np.exp(0.1 * rng.standard_normal(count))
    return Table(
        {
            "id": np.arange(count),
            "x": x,
            "y": y,
            "magnitude": magnitude,
            "radius_px": radius,
            "axis_ratio": ratio,
            "angle_deg": rng.uniform(0.0, 180.0, count),
            "sersic": np.where(elliptical, 3.0, 1.0),
            "temperature_k": warmth,
        }
    )


def paint_cluster(
    extended: dict[str, Image],
    galaxies: Table,
    bands: tuple[BandSpec, ...],
    zero_point: float,
    margin_px: int,
) -> None:
    """Add the galaxies of a table to the canvases of all bands, in place.

    Parameters
    ----------
    extended : dict of str to ndarray, shape (ny, nx), float32
        Canvases by band name.
    galaxies : astropy.table.Table
        As from `cluster_table`.
    bands : tuple of BandSpec
    zero_point : float
        Magnitude of one electron per second.
    margin_px : int
        Canvas beyond the pointed frame.
    """
    for row in galaxies:
        x, y = float(row["x"]) + margin_px, float(row["y"]) + margin_px
        left, bottom, profile = _sersic_stamp(
            x, y, row["radius_px"], row["axis_ratio"], row["angle_deg"], row["sersic"]
        )
        reference = 10.0 ** (-0.4 * (row["magnitude"] - zero_point))
        for band in bands:
            rate = reference * float(flux_ratio(band, row["temperature_k"]))
            _add_patch(extended[band.name], left, bottom, rate * profile)


def paint_spiral(
    extended: dict[str, Image],
    spec: SpiralSpec,
    bands: tuple[BandSpec, ...],
    zero_point: float,
    margin_px: int,
) -> Table:
    """Add the spiral galaxy to the canvases of all bands, in place.

    Dust dims each band by ``exp(-depth * (530 / wavelength)**1.5)``.

    Parameters
    ----------
    extended : dict of str to ndarray, shape (ny, nx), float32
        Canvases by band name.
    spec : SpiralSpec
    bands : tuple of BandSpec
    zero_point : float
        Magnitude of one electron per second.
    margin_px : int
        Canvas beyond the pointed frame.

    Returns
    -------
    astropy.table.Table
        The H II regions: id, x, y (scene pixels), radius_px, line_e_s (rate in a line band before
        dust), magnitude (of the star cluster inside).
    """
    shape = next(iter(extended.values())).shape
    parts = spiral_fields(spec, shape, margin_px)
    regions = spiral_regions(spec, parts.young, margin_px, zero_point)
    line, clusters = np.zeros(shape, dtype=np.float32), np.zeros(shape, dtype=np.float32)
    for row in regions:
        x, y = float(row["x"]) + margin_px, float(row["y"]) + margin_px
        _add_patch(line, *_region_stamp(x, y, row["radius_px"], row["line_e_s"]))
        rate = 10.0 ** (-0.4 * (row["magnitude"] - zero_point))
        _add_patch(clusters, *_region_stamp(x, y, 0.6 * row["radius_px"], rate))
    for band in bands:
        depth = parts.dust * np.float32((530.0 / band.wavelength_nm) ** _REDDENING)
        thin = np.exp(-depth)
        light = parts.disc * np.float32(flux_ratio(band, _DISC_K))
        light += (parts.young + clusters) * np.float32(flux_ratio(band, _YOUNG_K))
        if band.line:
            light += line + parts.glow * np.float32(spec.glow_e_s)
        light *= thin
        light += parts.bulge * np.float32(flux_ratio(band, _OLD_K)) * np.exp(-0.6 * depth)
        extended[band.name] += light
    return regions


def _sersic_stamp(
    x: float, y: float, radius: float, ratio: float, angle_deg: float, index: float
) -> tuple[int, int, Image]:
    """Sersic profile of unit light on whole pixels; Sersic b from Ciotti & Bertin (1999)."""
    reach = int(np.ceil(radius * (5.0 if index < 2 else 9.0))) + 2
    left, bottom = round(x) - reach, round(y) - reach
    step = (np.arange((2 * reach + 1) * _FINE) + 0.5) / _FINE - 0.5
    dx, dy = step + left - x, step[:, None] + bottom - y
    angle = np.deg2rad(angle_deg)
    along = dx * np.cos(angle) + dy * np.sin(angle)
    across = (dy * np.cos(angle) - dx * np.sin(angle)) / ratio
    distance = np.sqrt(along**2 + across**2) / radius
    b = 2.0 * index - 1.0 / 3.0 + 4.0 / (405.0 * index)
    values = np.exp(-b * distance ** (1.0 / index))
    edge = 5.0 if index < 2 else 9.0
    values *= np.clip(1.0 - (distance / edge) ** 4, 0.0, None)
    size = 2 * reach + 1
    cells = values.reshape(size, _FINE, size, _FINE).sum(axis=(1, 3))
    return left, bottom, (cells / cells.sum()).astype(np.float32)


def _region_stamp(x: float, y: float, radius: float, rate: float) -> tuple[int, int, Image]:
    """Round patch of light of a given total: a bright core in a softer halo."""
    reach = int(np.ceil(4.5 * radius)) + 1
    left, bottom = round(x) - reach, round(y) - reach
    step = np.arange(2 * reach + 1)
    squared = ((step + left - x) ** 2 + (step[:, None] + bottom - y) ** 2) / radius**2
    cells = np.exp(-squared) + 0.12 * np.exp(-squared / 4.0)
    return left, bottom, (rate * cells / cells.sum()).astype(np.float32)


def _add_patch(canvas: Image, left: int, bottom: int, patch: Image) -> None:
    """Add a patch to a canvas in place, cut at its edges."""
    ny, nx = canvas.shape
    high, wide = patch.shape
    y0, y1 = max(bottom, 0), min(bottom + high, ny)
    x0, x1 = max(left, 0), min(left + wide, nx)
    if y0 < y1 and x0 < x1:
        canvas[y0:y1, x0:x1] += patch[y0 - bottom : y1 - bottom, x0 - left : x1 - left]
