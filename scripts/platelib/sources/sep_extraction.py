"""Sources of an image, found by `sep` however crowded the image is."""

from collections.abc import Callable
from dataclasses import dataclass
from typing import TypeVar

import numpy as np
import sep

SMOOTHING = np.array([[1, 2, 1], [2, 4, 2], [1, 2, 1]], dtype=np.float32) / 16
_BUFFER_SHARES, _LEAST_BUFFER_PX = (32, 16, 8, 4), 300_000
_SUB_OBJECTS = 8192
_HIGHER = 1.2

Found = TypeVar("Found")


@dataclass(frozen=True)
class Extraction:
    """The detections of an image.

    Attributes
    ----------
    found : numpy.ndarray
        Table of `sep`, a row a source; lights and peaks in units of the noise.
    segments : numpy.ndarray
        ``(ny, nx)`` int32, number of the row of ``found`` plus 1, 0 where there is no source;
        ``(0, 0)`` unless they were asked for.
    sigma : float
        Threshold that was searched with: the one asked for, or a higher one in a crowd.
    """

    found: np.ndarray
    segments: np.ndarray
    sigma: float


def extracted(
    image: np.ndarray,
    noise: np.ndarray,
    missing: np.ndarray,
    sigma: float,
    area: int,
    kernel: np.ndarray | None = None,
    *,
    noise_factor: float = 1.0,
    with_segments: bool = False,
    **options,
) -> Extraction:
    """Find sources with `sep`.

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
    noise_factor : float
        The noise is this many times that of ``noise``.
    with_segments : bool
        Whether to return `segments`.

    Returns
    -------
    Extraction
    """
    kernel = SMOOTHING if kernel is None else kernel / kernel.sum()
    ratio = np.divide(image, noise, dtype=np.float32)
    if noise_factor != 1:
        ratio /= np.float32(noise_factor)
    np.copyto(ratio, np.float32(0), where=missing)
    per_sigma = float(np.sqrt(float((kernel**2).sum())))

    def search(threshold: float) -> tuple[np.ndarray, np.ndarray]:
        result = sep.extract(
            ratio,
            threshold * per_sigma,
            mask=missing,
            minarea=area,
            filter_kernel=np.ascontiguousarray(kernel, dtype=np.float32),
            filter_type="conv",
            segmentation_map=with_segments,
            clean=False,  # it would move the faint ones beside bright ones
            **options,
        )
        return result if with_segments else (result, np.empty((0, 0), dtype=np.int32))

    (found, segments), used = in_any_crowd(search, sigma, image.size)
    return Extraction(found, segments, used)


def in_any_crowd(
    search: Callable[[float], Found], threshold: float, pixels: int
) -> tuple[Found, float]:
    """Search with sufficient buffers, at a threshold that separates sources.

    `sep` holds every pixel of the sources that it is at, which may be all pixels of the image and
    two more, and writes all over that buffer before it begins, 28 bytes a pixel; so it gets a small
    one first. Where light runs together, it counts the parts of one source up to a limit. A fifth
    is added to the threshold then, until the source falls apart: more parts of one
    source would take it minutes, as their square.

    Parameters
    ----------
    search : callable
        Calls `sep` with a threshold.
    threshold : float
    pixels : int
        Of the image.

    Returns
    -------
    found : object
        What ``search`` returned.
    threshold : float
        What it was called with.
    """
    most = pixels + 2
    sizes = [min(most, max(_LEAST_BUFFER_PX, pixels // share)) for share in _BUFFER_SHARES]
    sizes.append(most)
    limits = sep.get_extract_pixstack(), sep.get_sub_object_limit()
    sep.set_sub_object_limit(_SUB_OBJECTS)
    try:
        while True:
            sep.set_extract_pixstack(sizes[0])
            try:
                return search(threshold), threshold
            except Exception as error:  # `sep` has no class of its own for this
                if "pixel buffer" in str(error) and len(sizes) > 1:
                    sizes.pop(0)
                elif "deblending overflow" in str(error):
                    threshold *= _HIGHER
                else:
                    raise
    finally:  # they are those of all other users of `sep` in the process
        sep.set_extract_pixstack(limits[0])
        sep.set_sub_object_limit(limits[1])
