"""An integrated image with its sky taken off, and which of its pixels show nothing but sky."""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import sep
from scipy.ndimage import binary_dilation, convolve

from platelib.modes import half_sample_mode

CELL_PX = 64
_FAINT_SIGMA, _SMALLEST_AREA = 3.5, 4
_GROWTH_PX = 3
_ROOM, _LEAST_ROOM_PX = (16, 4), 300_000
_WELL_COVERED = 0.7
_SAMPLE = 500_000
_MAD_TO_SIGMA = 1.482602218505602
_SMOOTHING = np.array([[1, 2, 1], [2, 4, 2], [1, 2, 1]], dtype=np.float32) / 16

_Found = tuple[np.ndarray, np.ndarray]


@dataclass(frozen=True)
class FieldSky:
    """An image without its sky.

    Attributes
    ----------
    image : numpy.ndarray
        ``(ny, nx)`` float32, sky taken off, 0 where there are no data.
    noise : numpy.ndarray
        ``(ny, nx)`` float32, standard deviation of each pixel by itself; 1 where there are no data.
    missing : numpy.ndarray
        ``(ny, nx)`` bool, no data, or far fewer subs than elsewhere.
    light : numpy.ndarray
        ``(ny, nx)`` bool, pixels of stars and galaxies and about them.
    """

    image: np.ndarray
    noise: np.ndarray
    missing: np.ndarray
    light: np.ndarray

    @property
    def blank(self) -> np.ndarray:
        """Pixels that show the empty sky."""
        return ~(self.missing | self.light)


def field_sky(
    image: np.ndarray,
    variance: np.ndarray,
    coverage: np.ndarray | None = None,
    cell_px: int = CELL_PX,
) -> FieldSky:
    """Take the sky off an image, cell by cell, without the light of stars and galaxies.

    Parameters
    ----------
    image, variance : numpy.ndarray
        ``(ny, nx)`` float32, variance of each pixel by itself; NaN = no data.
    coverage : numpy.ndarray, optional
        ``(ny, nx)``, subs that made each pixel; where they are fewer than 70 % of what is usual,
        the image does not count.
    cell_px : int
        Side of the cells in which the sky is measured.

    Returns
    -------
    FieldSky

    Raises
    ------
    ValueError
        If no pixel has data.
    """
    missing = ~(np.isfinite(image) & np.isfinite(variance) & (variance > 0))
    if coverage is not None and not missing.all():
        missing |= coverage < _WELL_COVERED * np.median(coverage[~missing])
    if missing.all():
        msg = "no pixel of the image has data"
        raise ValueError(msg)
    noise = np.where(missing, np.float32(1), np.sqrt(variance)).astype(np.float32)
    filled = np.where(missing, np.float32(np.median(image[~missing])), image).astype(np.float32)
    flat = filled - _sky(filled, missing, cell_px)
    light = _light(flat, noise, missing)
    flat = filled - _sky(filled, missing | light, cell_px)
    light = _light(flat, noise, missing)
    flat = (filled - _sky(filled, missing | light, cell_px)).astype(np.float32)
    flat[missing] = 0
    return FieldSky(flat, noise, missing, light)


def extracted(
    image: np.ndarray,
    noise: np.ndarray,
    missing: np.ndarray,
    sigma: float,
    area: int,
    kernel: np.ndarray | None = None,
    **options,
) -> tuple[np.ndarray, np.ndarray]:
    """Find sources with `sep`; return its table and the segmentation map.

    Images are searched in units of their noise, since `sep` parts blended sources at levels that
    it takes from the threshold as if that were in the unit of the image.

    Parameters
    ----------
    image, noise : numpy.ndarray
        ``(ny, nx)`` float32.
    missing : numpy.ndarray
        ``(ny, nx)`` bool.
    sigma : float
        Threshold on the smoothed image, in units of its noise.
    area : int
        Pixels above it.
    kernel : numpy.ndarray, optional
        Smooths the image.

    Returns
    -------
    found : numpy.ndarray
        Its lights and peaks are in units of the noise.
    segments : numpy.ndarray
        ``(ny, nx)`` int32.
    """
    kernel = _SMOOTHING if kernel is None else kernel / kernel.sum()
    sep.set_sub_object_limit(8192)
    ratio = np.where(missing, np.float32(0), image / noise).astype(np.float32)

    def search() -> _Found:
        return sep.extract(
            np.ascontiguousarray(ratio),
            sigma * float(np.sqrt(float((kernel**2).sum()))),
            mask=missing,
            minarea=area,
            filter_kernel=np.ascontiguousarray(kernel, dtype=np.float32),
            filter_type="conv",
            segmentation_map=True,
            clean=False,  # it would move the faint ones beside bright ones
            **options,
        )

    return _with_room(search, image.size)


def _with_room(search: Callable[[], _Found], pixels: int) -> _Found:
    """Search with memory for small sources, and with more where they are larger.

    `sep` writes all over its memory before it begins, 28 bytes a pixel that it may need.
    """
    for share in _ROOM:
        sep.set_extract_pixstack(max(_LEAST_ROOM_PX, pixels // share))
        try:
            return search()
        except Exception as error:  # `sep` has no class of its own for this
            if "pixel buffer" not in str(error):
                raise
    sep.set_extract_pixstack(max(_LEAST_ROOM_PX, pixels))
    return search()


def likeness(flat: np.ndarray, noise: np.ndarray, missing: np.ndarray) -> np.float32:
    """Return how much noisier the smoothed image is than independent pixels would make it.

    From the dark half of its values, in which there is nothing but noise.
    """
    ratio = np.where(missing, np.float32(0), flat / noise)
    smooth = convolve(ratio, _SMOOTHING) / np.float32(np.sqrt(float((_SMOOTHING**2).sum())))
    values = smooth[~missing][:: max(1, smooth.size // _SAMPLE)]
    middle = half_sample_mode(values)
    dark = middle - values[values <= middle]
    return np.float32(max(1.0, _MAD_TO_SIGMA * float(np.median(dark))))


def _sky(image: np.ndarray, hidden: np.ndarray, cell_px: int) -> np.ndarray:
    """Smooth sky; cells that are wholly hidden take that of their neighbours."""
    sky = sep.Background(image, mask=hidden, bw=cell_px, bh=cell_px, fw=3, fh=3)
    return sky.back()


def _light(flat: np.ndarray, noise: np.ndarray, missing: np.ndarray) -> np.ndarray:
    # Which of blended sources a pixel belongs to does not matter here.
    _, segments = extracted(
        flat,
        noise * likeness(flat, noise, missing),
        missing,
        _FAINT_SIGMA,
        _SMALLEST_AREA,
        deblend_nthresh=1,
    )
    disc = np.hypot(*np.mgrid[-_GROWTH_PX : _GROWTH_PX + 1, -_GROWTH_PX : _GROWTH_PX + 1])
    return binary_dilation(segments > 0, disc <= _GROWTH_PX + 0.5)
