"""The weighted mean of the subs of a frame, of which one at a time is held."""

import numpy as np


class FrameMean:
    """The weighted mean of images of one size, of the pixels with data.

    Nothing is rejected: what moves is in one sub alone, as are cosmic rays. The mean of a single
    image is that image, to the last bit.

    Parameters
    ----------
    shape : tuple of int
        ``(ny, nx)``.
    """

    def __init__(self, shape: tuple[int, int]):
        self._sum, self._weight = np.zeros((2, *shape))

    def add(self, image: np.ndarray, weight: float, first_row: int = 0) -> None:
        """Add an image, or some of its rows.

        Parameters
        ----------
        image : numpy.ndarray
            ``(n, nx)`` float32, NaN where there are no data.
        weight : float
            Above 0.
        first_row : int
            Where the rows begin.

        Raises
        ------
        ValueError
            If the weight is not above 0.
        """
        if not weight > 0:
            msg = f"weight {weight}: must be above 0"
            raise ValueError(msg)
        rows, known = slice(first_row, first_row + len(image)), np.isfinite(image)
        total = self._sum[rows]
        np.add(total, weight * image.astype(np.float64), out=total, where=known)
        self._weight[rows][known] += weight

    @property
    def mean(self) -> np.ndarray:
        """The mean, ``(ny, nx)`` float32; NaN where no image has data."""
        known = self._weight > 0
        found = np.full(self._sum.shape, np.nan)
        np.divide(self._sum, self._weight, out=found, where=known)
        return found.astype(np.float32)
