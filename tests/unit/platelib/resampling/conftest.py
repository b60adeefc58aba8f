"""Simulated stars, for the tests of what samples them."""

import numpy as np
import pytest

SHAPE = (90, 131)


@pytest.fixture
def gaussians():
    """A function that draws stars."""
    return _gaussians


def _gaussians(x, y, fwhm: float, flux: float, shape=SHAPE) -> np.ndarray:
    """Stars integrated over pixels, in fine steps."""
    steps = 8
    light = np.zeros(shape)
    rows, columns = ((np.arange(n * steps) + 0.5) / steps - 0.5 for n in shape)
    for u, v in zip(x, y, strict=True):
        across, down = (
            np.exp(-((at - centre) ** 2) / 2 / (fwhm / 2.3548) ** 2).reshape(-1, steps).mean(axis=1)
            for at, centre in ((columns, u), (rows, v))
        )
        light += flux * np.outer(down / down.sum(), across / across.sum())
    return light
