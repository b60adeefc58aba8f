"""The background mesh of an image from its unmasked pixels, even if they are few."""

import numpy as np
import sep

_MASKED_MOST = 0.5
"""`sep` gives no level of a cell of which more is masked, and 0 where that is so in all cells."""
_FEWEST = 48
"""Pixels of sky that tell the level of a cell to a fifth of the noise of one."""


def masked_sky(image: np.ndarray, hidden: np.ndarray, cell_px: int) -> np.ndarray:
    """Measure the sky in a mesh of cells and interpolate it.

    The level of a cell is the mode of its sky pixels (Bertin and Arnouts 1996, A&AS 117, 393,
    section 3.1). In a crowded cell the few that are left count as often as needed to fill the cell,
    so that they are measured as those of an empty one. A cell that has hardly any takes the level
    of its nearest neighbours.

    Parameters
    ----------
    image : numpy.ndarray
        ``(ny, nx)`` float32, finite.
    hidden : numpy.ndarray
        ``(ny, nx)`` bool, pixels that do not show the sky.
    cell_px : int
        Side of a cell, pixels.

    Returns
    -------
    numpy.ndarray
        ``(ny, nx)`` float32, in the unit of the image.

    Raises
    ------
    ValueError
        If no cell has as many as 48 pixels of sky, or all of its pixels where it is smaller.
    """
    ny, nx = image.shape
    full, mask = image, hidden
    known = False
    for top in range(0, ny, cell_px):
        for left in range(0, nx, cell_px):
            cell = np.s_[top : top + cell_px, left : left + cell_px]
            number = hidden[cell].size - int(np.count_nonzero(hidden[cell]))
            enough = number >= min(_FEWEST, hidden[cell].size)
            known |= enough
            if not enough or number > (1 - _MASKED_MOST) * hidden[cell].size:
                continue
            if full is image:
                full, mask = image.copy(), hidden.copy()
            full[cell][hidden[cell]] = np.resize(
                image[cell][~hidden[cell]], hidden[cell].size - number
            )
            mask[cell] = False
    if not known:
        msg = f"too few pixels of sky: no cell of {cell_px} px has {_FEWEST} of them"
        raise ValueError(msg)
    sky = sep.Background(full, mask=mask, bw=cell_px, bh=cell_px, fw=3, fh=3)
    return sky.back()
