"""What resampling does to the noise of large sums."""

import numpy as np

from platelib.resampling.lanczos import lanczos


def correlation_factor() -> float:
    """Noise of a large sum over pixels, over what independent pixels of the same variance give.

    Returns
    -------
    float
        ``1 / sqrt(mean of sum w^2)`` over uniformly distributed phases, both axes: the sum of many
        pixels keeps its noise in resampling while each single pixel loses some.
    """
    phase = (np.arange(1024) + 0.5) / 1024
    squares = sum(lanczos(phase, tap) ** 2 for tap in range(-2, 4))
    return 1 / float(np.mean(squares))
