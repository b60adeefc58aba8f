"""Catalogue stars at the epoch of the subs."""

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from platelib.astrometry.celestial import separation_deg


@dataclass(frozen=True)
class CatalogueStars:
    """Some stars of a catalogue.

    Attributes
    ----------
    name : str
        What the catalogue is called.
    identity : numpy.ndarray
        ``(n,)`` str.
    ra, dec : numpy.ndarray
        ``(n,)`` float64, degrees, ICRS.
    magnitudes : mapping of str to numpy.ndarray
        By the name of the band, NaN where it is not known; the one that the brightness of stars is
        judged by comes first.
    """

    name: str
    identity: npt.NDArray[np.str_]
    ra: npt.NDArray[np.float64]
    dec: npt.NDArray[np.float64]
    magnitudes: Mapping[str, npt.NDArray[np.float64]]

    def __len__(self) -> int:
        """Count the stars."""
        return len(self.ra)

    @property
    def brightness(self) -> npt.NDArray[np.float64]:
        """Magnitude in the first band that each star has one in; NaN without any."""
        result = np.full(len(self), np.nan)
        for column in self.magnitudes.values():
            result = np.where(np.isnan(result), column, result)
        return result

    def chosen(self, which: npt.NDArray) -> "CatalogueStars":
        """Return some of the stars, by a mask or by numbers."""
        return replace(
            self,
            identity=self.identity[which],
            ra=self.ra[which],
            dec=self.dec[which],
            magnitudes={name: column[which] for name, column in self.magnitudes.items()},
        )

    def brightest_first(self) -> "CatalogueStars":
        """Return the stars sorted by brightness; stars without a magnitude come last."""
        magnitude = np.nan_to_num(self.brightness, nan=99.0)
        return self.chosen(np.lexsort((self.ra, self.dec, magnitude)))

    def within(self, ra: float, dec: float, radius_deg: float) -> "CatalogueStars":
        """Return the stars inside a circle."""
        return self.chosen(separation_deg(ra, dec, self.ra, self.dec) <= radius_deg)
