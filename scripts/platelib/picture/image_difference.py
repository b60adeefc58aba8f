"""Statistics of the difference of two images of one shape."""

from dataclasses import dataclass

import numpy as np

PERCENTILES = (1.0, 16.0, 50.0, 84.0, 99.0)
"""Of the differences; 16 and 84 are one sigma on each side where errors are normal."""


@dataclass(frozen=True)
class Difference:
    """The second image less the first, in numbers.

    Attributes
    ----------
    pixels : int
        Pixels of an image.
    differing : int
        Pixels whose value is not the same, those with a value in one image only included.
    one_sided : int
        Pixels that have a value in one image only.
    mean, rms, max_abs : float
        Of all pixels that have a value in both; NaN if there are none.
    percentiles : tuple of float
        At ``PERCENTILES``, of the same pixels.
    """

    pixels: int
    differing: int
    one_sided: int
    mean: float
    rms: float
    max_abs: float
    percentiles: tuple[float, ...]

    @property
    def share(self) -> float:
        """Share of the pixels that differ."""
        return self.differing / self.pixels if self.pixels else 0.0


def difference(
    first: np.ndarray, second: np.ndarray, noise: np.ndarray | None = None
) -> Difference:
    """Compare two images, value by value.

    Parameters
    ----------
    first, second : numpy.ndarray
        Of one shape, numbers of any type; NaN = no value, and two of them are alike.
    noise : numpy.ndarray, optional
        Of the same shape: standard deviations, by which differences are divided. Pixels whose
        noise is not a positive number are left out of the statistics.

    Raises
    ------
    ValueError
        If the shapes differ.
    """
    if first.shape != second.shape:
        msg = f"images of {first.shape} and {second.shape} cannot be compared"
        raise ValueError(msg)
    blank, other_blank = np.isnan(first), np.isnan(second)
    differs = (first != second) & ~(blank & other_blank)
    one_sided = int(np.count_nonzero(blank != other_blank))
    counted = ~(blank | other_blank)
    if noise is not None:
        counted &= noise > 0
    values = second[counted].astype(np.float64) - first[counted].astype(np.float64)
    if noise is not None:
        values /= noise[counted]
    count = int(np.count_nonzero(differs))
    if not values.size:
        nothing = (float("nan"),) * len(PERCENTILES)
        return Difference(first.size, count, one_sided, np.nan, np.nan, np.nan, nothing)
    return Difference(
        first.size,
        count,
        one_sided,
        float(np.mean(values)),
        float(np.sqrt(np.mean(values * values))),
        float(np.max(np.abs(values))),
        tuple(float(value) for value in np.percentile(values, PERCENTILES)),
    )
