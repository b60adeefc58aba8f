"""The background mesh of an image from its unmasked pixels, even if they are few."""

import numpy as np
import sep

_MASKED_MOST = 0.5
"""`sep` gives no level of a cell of which more is masked, and 0 where that is so in all cells."""
_FEWEST = 48
"""Pixels of sky that tell the level of a cell to a fifth of the noise of one."""


def masked_sky(image: np.ndarray, hidden: np.ndarray, cell_px: int) -> sep.Background:
    """Measure the sky in a mesh of cells.

    The level of a cell is the mode of its sky pixels (Bertin and Arnouts 1996, A&AS 117, 393,
    section 3.1). In a crowded cell the few that are left count as often as needed to fill the cell,
    so that they are measured as those of an empty one. A cell that has hardly any takes the level
    of its nearest neighbours.

    Parameters
    ----------
    image : numpy.ndarray
        ``(ny, nx)`` float32, finite. Hidden pixels of crowded cells hold others while the sky is
        measured; on return the array is as it was.
    hidden : numpy.ndarray
        ``(ny, nx)`` bool, pixels that do not show the sky; likewise.
    cell_px : int
        Side of a cell, pixels.

    Returns
    -------
    sep.Background
        Interpolates the sky: ``back`` returns it, ``subfrom`` subtracts it from an image.

    Raises
    ------
    ValueError
        If no cell has as many as 48 pixels of sky, or all of its pixels where it is smaller.
    """
    crowded, known = _crowded_cells(hidden, cell_px)
    if not known:
        msg = f"too few pixels of sky: no cell of {cell_px} px has {_FEWEST} of them"
        raise ValueError(msg)
    lent = []
    try:
        for cell in crowded:
            there = hidden[cell].copy()
            lent.append((cell, there, image[cell][there]))
            image[cell][there] = np.resize(image[cell][~there], np.count_nonzero(there))
            hidden[cell] = False
        return sep.Background(image, mask=hidden, bw=cell_px, bh=cell_px, fw=3, fh=3)
    finally:
        for cell, there, values in lent:
            image[cell][there] = values
            hidden[cell] = there


def _crowded_cells(hidden: np.ndarray, cell_px: int) -> tuple[list[tuple[slice, slice]], bool]:
    """Return the cells that `sep` would give no level, and whether any cell has one."""
    tops, lefts = (np.arange(0, size, cell_px) for size in hidden.shape)
    by_row = [hidden[top : top + cell_px].sum(axis=0, dtype=np.int32) for top in tops]
    covered = np.add.reduceat(np.stack(by_row), lefts, axis=1)
    heights, widths = (
        np.diff(first, append=size) for first, size in zip((tops, lefts), hidden.shape, strict=True)
    )
    size = heights[:, None] * widths
    number = size - covered
    enough = number >= np.minimum(_FEWEST, size)
    crowded = np.argwhere(enough & (number <= (1 - _MASKED_MOST) * size)) * cell_px
    cells = [np.s_[top : top + cell_px, left : left + cell_px] for top, left in crowded.tolist()]
    return cells, bool(enough.any())
