"""Calibrated and registered pixels of a sub, straight from its raw file.

Every step takes them from here - measuring, integrating and the stored copies on request - so
what is written to disk on request is, bit for bit, what the integration saw.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from platefiles.masters import Masters
from platefiles.rawframe import RawImage
from platefiles.ray_masks import NO_HITS, HitPixels
from platelib.calibration import Correction, Detector, calibrate, mend
from platelib.photon_transfer import GainChoice
from platelib.resampling import normalise, resample, source_rows
from platelib.transforms import Transform

_MEND_REACH = 2


@dataclass(frozen=True)
class Levels:
    """How a registered sub is brought to the level of the others.

    Attributes
    ----------
    factor : float
        From calibrated units to those of the channel: flux scale over exposure.
    sky : numpy.ndarray
        Coefficients of the polynomial in grid coordinates that is taken off after scaling.
    excess : float
        Factor of the variance: what the sky shows over what the detector model expects.
    """

    factor: float
    sky: np.ndarray
    excess: float


class Sub:
    """An open sub with what calibrates it.

    Attributes
    ----------
    detector : Detector
    gain_choice : GainChoice
    """

    detector: Detector
    gain_choice: GainChoice

    def __init__(
        self,
        image: RawImage,
        facts: Mapping[str, Any],
        masters: Masters,
        camera: Mapping[str, Any],
        sky_variance: float = 0.0,
        hits: HitPixels = NO_HITS,
    ):
        self._image = image
        self._hits = hits
        self.shape = image.shape
        self._sky_variance = sky_variance
        self._correction: Correction = masters.correction(
            facts["bias"], facts["dark"], facts["flat"], facts["dark_scale"], facts["pedestal"]
        )
        self.detector, self.gain_choice = masters.detector(facts, camera, image.full_scale)

    @property
    def saturation(self) -> float:
        """Calibrated value of a saturated pixel where the flat is 1."""
        return (self.detector.saturation - self._correction.zero) * (self.detector.gain or 1.0)

    def calibrated(self, start: int, stop: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Return rows ``start`` to ``stop``, calibrated, bad pixels and cosmic rays mended.

        Returns
        -------
        values, variance : numpy.ndarray
            ``(stop - start, nx)`` float32, electrons where the gain is known.
        mask : numpy.ndarray
            ``(stop - start, nx)`` uint8: 1 bad, 2 saturated.
        """
        top = max(0, start - _MEND_REACH)
        bottom = min(self.shape[0], stop + _MEND_REACH)
        values, variance, mask = calibrate(
            self._image.words(top, bottom),
            self._correction.rows(top, bottom),
            self.detector,
            self._sky_variance,
        )
        self._hits.mark(variance, mask, top)
        mend(values, mask)
        inner = slice(start - top, stop - top)
        return values[inner], variance[inner], mask[inner]

    def registered(
        self,
        transform: Transform,
        levels: Levels,
        rows: tuple[int, int],
        nx: int,
        out: tuple[np.ndarray, np.ndarray] | None = None,
    ) -> tuple[np.ndarray, np.ndarray]:
        """Return a band of the grid, levelled, in ``out`` if it is given.

        Returns
        -------
        values, variances : numpy.ndarray
            ``(rows[1] - rows[0], nx)`` float32; NaN where the sub has no good pixel.
        """
        if out is None:
            shape = (rows[1] - rows[0], nx)
            out = (np.empty(shape, dtype=np.float32), np.empty(shape, dtype=np.float32))
        first, last = source_rows(transform, rows, nx)
        first, last = max(0, first), min(self.shape[0], last)
        if last - first < 1:
            for plane in out:
                plane.fill(np.nan)
            return out
        values, variance, mask = self.calibrated(first, last)
        resample(values, variance, mask, first, self.shape, transform, rows, nx, out)
        normalise(*out, levels.factor, levels.sky, transform, rows[0], levels.excess)
        return out
