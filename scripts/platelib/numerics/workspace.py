"""Workspace: memory that is reused."""

import math

import numpy as np

from platelib.numerics import aligned


class Room:
    """Arrays by name, which keep their memory from one use to the next.

    Asking the system for it each time costs time; and where what is kept lies between what is given
    back, the gaps are hardly of use to anyone, so that a process grows with what it has done.
    One thread's.
    """

    def __init__(self) -> None:
        self._blocks: dict[str, np.ndarray] = {}

    def plane(self, name: str, shape: tuple[int, ...], dtype: type) -> np.ndarray:
        """Return an uninitialised array; the previous array of that name becomes invalid."""
        size = math.prod(shape) * np.dtype(dtype).itemsize
        if name not in self._blocks or self._blocks[name].size < size:
            self._blocks[name] = aligned.empty((size,), np.uint8)
        return self._blocks[name][:size].view(dtype).reshape(shape)
