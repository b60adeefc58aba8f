"""Read files of orbital elements of either format, join them, and tell the errors of places."""

from collections.abc import Sequence
from pathlib import Path

import numpy as np
import numpy.typing as npt

from platefiles.core.errors import UserError
from platefiles.orbits.comets import read_comets
from platefiles.orbits.elements_file import Block, ElementsFile, joined
from platefiles.orbits.minor_planets import read_minor_planets

_SCALE = np.log(648000) / 9
_UNKNOWN = 9
_YEARS_PER_DECADE = 10.0
_DAYS_PER_YEAR = 365.25


def read_elements(path: str | Path) -> ElementsFile:
    """Read a file of minor planets or of comets, whichever it is.

    Raises
    ------
    UserError
        The file has neither format, or cannot be read.
    """
    try:
        return read_minor_planets(path)
    except UserError as error:
        try:
            return read_comets(path)
        except UserError:
            raise error from None


def merged(files: Sequence[ElementsFile]) -> ElementsFile:
    """Join the bodies of several files, in order; their damage is added up."""
    blocks = [Block(one.elements, one.readable, one.uncertainty) for one in files]
    whole = joined(blocks)
    return ElementsFile(
        whole.elements,
        whole.readable,
        whole.uncertainty,
        sum(one.damaged_count for one in files),
        tuple(row for one in files for row in one.damaged),
    )


def orbit_error_arcsec(
    source: ElementsFile, rows: npt.ArrayLike, jd: float
) -> npt.NDArray[np.float64]:
    """Return the error of places that the uncertainty parameter of orbits tells, arcsec.

    Parameters
    ----------
    source : ElementsFile
    rows : array_like
        ``(n,)`` int: which bodies.
    jd : float
        Time of the place, TT, Julian days.

    Returns
    -------
    numpy.ndarray
        ``(n,)``. The parameter U stands for a runoff in longitude of ``exp(1.487 U)`` arcsec a
        decade at most; half of a step below is taken, times the years from the epoch. A letter (an
        assumed eccentricity) counts as 9; without a parameter, as for comets, the error is 0.

    References
    ----------
    "Uncertainty parameter U", minorplanetcenter.net/iau/info/UValue.html (from memory).
    """
    index = np.asarray(rows, dtype=np.intp)
    texts = source.uncertainty[index]
    digits = np.char.isdigit(texts)
    letters = ~digits & (texts != b"")
    level = np.where(digits, np.where(digits, texts, b"0").astype(int), _UNKNOWN * letters)
    years = np.abs(jd - source.elements.epoch_jd[index]) / _DAYS_PER_YEAR
    runoff = np.where(digits | letters, np.exp(_SCALE * (level - 0.5)), 0.0)
    return np.asarray(runoff * years / _YEARS_PER_DECADE)
