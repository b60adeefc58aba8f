"""A last, independent attempt to match two star lists, by the astroalign library.

Its asterisms (Beroiz et al. 2020, Astronomy and Computing 32, 100384) and its consensus differ from
those of `platelib.registration.match`. The library draws from a generator without a seed; here it
gets one with a seed, so the same lists give the same answer.
"""

import types
from collections.abc import Iterator
from contextlib import contextmanager

import numpy as np

ASTERISM_TRIALS = 10_000
"""Transforms that the try counts for: the pairs of asterisms of its control points."""

_CONTROL_POINTS = 20
_SEED = 20200801


def asterism_similarity(grid_xy: np.ndarray, raw_xy: np.ndarray) -> np.ndarray | None:
    """Find the similarity between two star lists.

    Parameters
    ----------
    grid_xy, raw_xy : numpy.ndarray
        ``(n, 2)`` and ``(m, 2)`` float64 positions, brightest first.

    Returns
    -------
    numpy.ndarray or None
        ``(2, 3)`` float64: ``raw = matrix[:, :2] @ grid + matrix[:, 2]``; None where nothing was
        found. Its last bits depend on LAPACK: it serves as a seed only.
    """
    if min(len(grid_xy), len(raw_xy)) < 3:
        return None
    import astroalign  # loads scipy, which no other step of the match needs

    with _seeded(astroalign):
        try:
            found, _ = astroalign.find_transform(grid_xy, raw_xy, _CONTROL_POINTS)
        except Exception:  # any error of the libraries below it on lists without a pattern
            return None
    matrix = np.asarray(found.params, dtype=np.float64)[:2]
    return matrix if np.isfinite(matrix).all() else None


@contextmanager
def _seeded(library: types.ModuleType) -> Iterator[None]:
    """Let a library that calls ``numpy.random.default_rng()`` get a generator with a seed."""
    vars(library)["_np"] = _SeededNumpy("numpy")
    try:
        yield
    finally:
        vars(library)["_np"] = np


class _SeededNumpy(types.ModuleType):
    """Numpy, except for generators without a seed."""

    random = types.SimpleNamespace(default_rng=lambda: np.random.default_rng(_SEED))

    def __getattr__(self, name: str):
        return getattr(np, name)
