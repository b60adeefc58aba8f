"""Images made smaller by averaging squares of pixels, in which some pixels may have no data."""

import numpy as np

_LEAST_SHARE = 0.5


def square_means(image: np.ndarray, factor: int) -> np.ndarray:
    """Average squares of pixels.

    Parameters
    ----------
    image : numpy.ndarray
        ``(ny, nx)`` float32, NaN where there are no data.
    factor : int
        Side of a square; incomplete squares at the far edges are left out. With 1, the result is
        the image.

    Returns
    -------
    numpy.ndarray
        ``(ny // factor, nx // factor)`` float32: the mean of the pixels with data; NaN where less
        than half of a square has data.
    """
    if factor == 1:
        return image
    ny, nx = (size // factor for size in image.shape)
    squares = image[: ny * factor, : nx * factor]
    known = np.isfinite(squares)
    if known.all():
        return (_sums(squares, factor) / factor**2).astype(np.float32)
    total, count = (_sums(one, factor) for one in (np.where(known, squares, 0), known))
    enough = count >= _LEAST_SHARE * factor**2
    means = np.divide(total, count, out=np.full(total.shape, np.nan), where=enough)
    return means.astype(np.float32)


def _sums(image: np.ndarray, factor: int) -> np.ndarray:
    ny, nx = (size // factor for size in image.shape)
    lines = image.reshape(ny, factor, nx * factor).sum(axis=1, dtype=np.float64)
    return lines.reshape(ny, nx, factor).sum(axis=2)
