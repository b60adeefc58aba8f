"""Cache of correction lines for subs that use the same part of the frame."""

import numpy as np

from platelib.calibration.correction import CalibrationLines, Correction, lines_of

_CORRECTIONS = 2
"""Corrections whose lines are kept: subs come in the order of their nights."""


LINES_BYTES = _CORRECTIONS * 8
"""Memory of the lines of all corrections that are kept, a pixel."""


class KeptLines:
    """The lines of the window that was asked for last, of each of the corrections met last.

    One thread's; what it returned is overwritten when another window of that correction, or a third
    correction, is asked for.

    Parameters
    ----------
    margin_px : int
        Pixels on each side that are worked out along with what is asked for: the next sub, pointed
        a little elsewhere, wants them.
    """

    def __init__(self, margin_px: int = 0):
        self._margin_px = margin_px
        # The correction is kept, so that no other object can be taken for it.
        self._kept: dict[int, tuple[Correction, CalibrationLines]] = {}
        self._memory: dict[int, np.ndarray] = {}

    def of(
        self,
        correction: Correction,
        frame_shape: tuple[int, int],
        rows: tuple[int, int],
        columns: tuple[int, int],
    ) -> CalibrationLines:
        """Return lines of a window, or of a larger one.

        Parameters
        ----------
        correction : Correction
        frame_shape : tuple of int
            ``(ny, nx)`` of the frame.
        rows, columns : tuple of int
            First of the frame and the one after the last.

        Raises
        ------
        ValueError
            If the planes of the correction are of another shape than the frame.
        """
        if others := correction.shapes - {frame_shape}:
            msg = f"raw frame is {frame_shape}, its correction {min(others)}"
            raise ValueError(msg)
        key = id(correction)
        if key in self._kept and self._kept[key][1].holds(rows, columns):
            return self._kept[key][1]
        memory = self._memory.pop(key, None)
        self._kept.pop(key, None)
        if memory is None and len(self._kept) >= _CORRECTIONS:
            oldest = next(iter(self._kept))
            del self._kept[oldest]
            memory = self._memory.pop(oldest)
        window = [
            (max(0, first - self._margin_px), min(size, last + self._margin_px))
            for (first, last), size in zip((rows, columns), frame_shape, strict=True)
        ]
        size = 2 * (window[0][1] - window[0][0]) * (window[1][1] - window[1][0])
        if memory is None or memory.size < size:
            memory = np.empty(size, dtype=np.float32)
        lines = lines_of(correction, window[0], window[1], memory)
        self._memory[key], self._kept[key] = memory, (correction, lines)
        return lines
