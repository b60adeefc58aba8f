"""One sub: its night, pointing and faults, and the position of the sky on the sensor."""

from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from platelib.simulate.camera import CameraSpec
from platelib.simulate.scene import SceneSpec
from platelib.simulate.tracks import SatelliteSpec

Image = npt.NDArray[np.float32]
Matrix = npt.NDArray[np.float64]


@dataclass(frozen=True)
class NightSpec:
    """Facts that the subs of a night share.

    Attributes
    ----------
    name : str
        Date of the evening, ``YYYY-MM-DD``.
    sky_factor : dict of str to float
        Sky brightness against the dark sky, by band; 1 for a band not named.
    gradient : tuple of float
        Relative change of the sky from the left to the right edge of the scene, and from row 0 to
        the last row.
    bend : float
        Relative rise of the sky from the middle to the corners.
    dust_seed : int
        Where the dust lies.
    """

    name: str = "2026-01-01"
    sky_factor: dict[str, float] = field(default_factory=dict)
    gradient: tuple[float, float] = (0.0, 0.0)
    bend: float = 0.0
    dust_seed: int = 0


@dataclass(frozen=True)
class SubSpec:
    """One light exposure; the defaults are a perfect pointing on a perfect night.

    Attributes
    ----------
    band : str
        Name of the band.
    exposure_s : float
    night : NightSpec
    mid_time_h : float
        Middle of the exposure, hours since the scene's time 0.
    dither_px : tuple of float
        Where the scene's middle falls, against the middle of the frame, raw pixels.
    rotation_deg : float
        Turn of the sky on the sensor, from +x to +y.
    flipped : bool
        Taken on the other side of the meridian: turned by another 180 degrees.
    transparency : float
        Share of the light of all objects that gets through.
    sky_factor : float
        Further factor on the sky of the night.
    fwhm_px, beta : float
        Seeing: width and exponent of the Moffat profile.
    trail_px : tuple of float
        Drift during the exposure, raw pixels.
    cosmic_rays : int
        Number of particle tracks.
    satellite : SatelliteSpec or None
        A trail across the frame.
    """

    band: str
    exposure_s: float
    night: NightSpec = field(default_factory=NightSpec)
    mid_time_h: float = 0.0
    dither_px: tuple[float, float] = (0.0, 0.0)
    rotation_deg: float = 0.0
    flipped: bool = False
    transparency: float = 1.0
    sky_factor: float = 1.0
    fwhm_px: float = 2.9
    beta: float = 3.3
    trail_px: tuple[float, float] = (0.0, 0.0)
    cosmic_rays: int = 0
    satellite: SatelliteSpec | None = None


def transform(scene: SceneSpec, camera: CameraSpec, sub: SubSpec) -> Matrix:
    """Return the affine transform from scene pixels to raw pixels of a sub.

    Parameters
    ----------
    scene : SceneSpec
    camera : CameraSpec
    sub : SubSpec

    Returns
    -------
    ndarray, shape (2, 3), float64
        ``raw = matrix[:, :2] @ scene + matrix[:, 2]``, pixels, 0-based.
    """
    angle = np.deg2rad(sub.rotation_deg + (180.0 if sub.flipped else 0.0))
    scale = next(band.scale for band in scene.bands if band.name == sub.band)
    turn = scale * np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
    middle = np.array([(camera.width_px - 1) / 2, (camera.height_px - 1) / 2]) + sub.dither_px
    return np.column_stack([turn, middle - turn @ _scene_middle(scene)])


def apply_transform(
    matrix: Matrix, x: npt.ArrayLike, y: npt.ArrayLike
) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.float64]]:
    """Move places by an affine transform.

    Parameters
    ----------
    matrix : ndarray, shape (2, 3)
    x, y : array_like, shape (n,)

    Returns
    -------
    x, y : ndarray, shape (n,), float64
    """
    x, y = np.asarray(x, dtype=np.float64), np.asarray(y, dtype=np.float64)
    return (
        matrix[0, 0] * x + matrix[0, 1] * y + matrix[0, 2],
        matrix[1, 0] * x + matrix[1, 1] * y + matrix[1, 2],
    )


def sky_polynomial(
    scene: SceneSpec, sub: SubSpec, matrix: Matrix
) -> tuple[float, float, float, float]:
    """Return the relative sky of a sub as a polynomial over the sensor.

    Parameters
    ----------
    scene : SceneSpec
    sub : SubSpec
    matrix : ndarray, shape (2, 3)
        As from `transform`.

    Returns
    -------
    tuple of float
        c0, c1, c2, c3 of ``c0 + c1 x + c2 y + c3 (x**2 + y**2)``, with raw x, y counted from the
        middle of the frame. The gradient belongs to the sky and turns with it.
    """
    inverse = np.linalg.inv(matrix[:, :2])
    slope = np.array(sub.night.gradient) / (scene.width_px, scene.height_px)
    slope_x, slope_y = (float(value) for value in slope @ inverse)
    middle = _scene_middle(scene)
    bend = sub.night.bend / float(middle @ middle)
    level = 1.0 - slope_x * sub.dither_px[0] - slope_y * sub.dither_px[1]
    return level, slope_x, slope_y, bend


def relative_sky(camera: CameraSpec, polynomial: tuple[float, float, float, float]) -> Image:
    """Return the relative sky on every raw pixel.

    Parameters
    ----------
    camera : CameraSpec
    polynomial : tuple of float
        As from `sky_polynomial`.

    Returns
    -------
    ndarray, shape (ny, nx), float32
    """
    level, slope_x, slope_y, bend = polynomial
    x = np.arange(camera.width_px) - (camera.width_px - 1) / 2
    y = (np.arange(camera.height_px)[:, None]) - (camera.height_px - 1) / 2
    along = (level + slope_x * x + bend * x * x).astype(np.float32)
    return along + (slope_y * y + bend * y * y).astype(np.float32)


def _scene_middle(scene: SceneSpec) -> npt.NDArray[np.float64]:
    """Scene place that a perfect pointing puts in the middle of the frame."""
    return np.array([(scene.width_px - 1) / 2, (scene.height_px - 1) / 2])
