"""Simulated stacks of subs, for the tests of rejection and what follows it."""

import numpy as np
import pytest

READ_NOISE = 3.0


@pytest.fixture
def exposed():
    """A function that exposes light under a sky."""
    return _exposed


@pytest.fixture
def trailed():
    """A function that draws a stack with a trail."""
    return _trailed


def _exposed(rng, light: np.ndarray, skies: np.ndarray, sky: float):
    """Samples on one sky level, their variances by the camera model, and the noise of each sky."""
    electrons = rng.poisson(light + skies[:, None, None]) + rng.normal(0, READ_NOISE, light.shape)
    values = electrons - skies[:, None, None] + sky
    variances = READ_NOISE**2 + np.maximum(electrons, 0)
    return values.astype(np.float32), variances.astype(np.float32), np.sqrt(skies + READ_NOISE**2)


def _trailed(seed: int):
    """A stack with a satellite trail, Gaussian across, in its first image."""
    rng = np.random.default_rng(seed)
    n, shape = 6, (120, 161)
    y, x = np.indices(shape)
    distance = (y - 0.4 * x - 20) / np.hypot(1, 0.4)
    light = np.zeros((n, *shape))
    light[0] = 300 * np.exp(-0.5 * (distance / 1.5) ** 2)
    values, variances, noise = _exposed(rng, light, np.full(n, 100.0), 100.0)
    return values, variances, noise, light[0]
