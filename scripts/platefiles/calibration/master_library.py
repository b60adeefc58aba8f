"""Load each master once, and combine masters for the subs that need them."""

import math
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any

import numpy as np
from astropy.io import fits

from platefiles.fits.products_io import map_image, read_header
from platelib.calibration.calibrate import Detector
from platelib.calibration.correction import Correction
from platelib.calibration.photon_transfer import Estimate, GainChoice, choose_gain
from platelib.calibration.saturation_level import MARGIN


def _typical(plane: np.ndarray) -> float:
    """Return the median of every fifth pixel of every fifth row."""
    return float(np.median(plane[::5, ::5].astype(np.float32)))


class Masters:
    """The masters of a job, by name.

    Parameters
    ----------
    paths : iterable of path-like
        Files of masters; the name of a master is the stem of its file.
    """

    def __init__(self, paths: Iterable[str | Path]):
        self._paths = {Path(path).stem: Path(path) for path in paths}
        self._images: dict[tuple[str, str], np.ndarray] = {}
        self._headers: dict[str, fits.Header] = {}
        self._corrections: dict[tuple, Correction] = {}

    def image(self, name: str, extname: str = "SCI") -> np.ndarray:
        """Return one plane of a master, memory-mapped."""
        key = (name, extname)
        if key not in self._images:
            self._images[key] = map_image(self._paths[name], extname)
        return self._images[key]

    def card(self, name: str | None, keyword: str) -> float | None:
        """Return a number from the primary header of a master; None if either is missing."""
        if name is None:
            return None
        if name not in self._headers:
            self._headers[name] = read_header(self._paths[name])
        return self._headers[name].get(keyword)

    def correction(
        self,
        bias: str | None,
        dark: str | None,
        flat: str | None,
        dark_scale: float,
        pedestal: float = 0.0,
    ) -> Correction:
        """Return the correction of a frame with these calibrators.

        The bias is subtracted from a master dark if there is one; else the dark contains it. A
        pedestal, to be added to each pixel, is in bias and dark as well and cancels; it applies
        only if there is neither.
        """
        level = -pedestal if bias is None and dark is None else 0.0
        key = (bias, dark, flat, dark_scale, level)
        if key not in self._corrections:
            self._corrections[key] = self._correction(*key)
        return self._corrections[key]

    def _correction(self, bias, dark, flat, dark_scale, level: float) -> Correction:
        variance, masks = 0.0, []
        planes = {
            kind: None if name is None else self.image(name)
            for kind, name in (("bias", bias), ("dark", dark), ("flat", flat))
        }
        if bias is not None:
            variance = _typical(self.image(bias, "VAR"))
        # Without a bias the dark holds it.
        darkness = planes["bias"] if bias is not None else planes["dark"]
        zero = level if darkness is None else _typical(darkness)
        if dark is not None:
            # At scale 1 the bias cancels: only the mean of the darks is subtracted.
            variance *= (1 - dark_scale) ** 2
            variance += dark_scale**2 * _typical(self.image(dark, "VAR"))
            masks.append(self.image(dark, "MASK"))
        if flat is not None:
            masks.append(self.image(flat, "MASK"))
        return Correction(
            planes["bias"],
            planes["dark"],
            planes["flat"],
            dark_scale,
            tuple(masks),
            zero,
            variance,
            level,
        )

    def detector(
        self,
        sub: Mapping[str, Any],
        equipment: Mapping[str, Any],
        full_scale: float,
        overscan_adu: float = 0.0,
        saturation: float = math.nan,
    ) -> tuple[Detector, GainChoice]:
        """Return a sub's detector and the choice of its gain.

        Parameters
        ----------
        sub : dict
            Its ``bias``, ``dark``, ``flat`` and ``egain``.
        equipment : dict
            ``gain_e_per_adu``, ``read_noise_e`` and ``saturation_adu`` of the equipment file.
        full_scale : float
            Largest value that a pixel can have, ADU.
        overscan_adu : float
            Level of the subtracted overscan, ADU; the equipment file's ``saturation_adu`` includes
            it.
        saturation : float
            Saturation level measured in the lights, ADU; NaN if none was found. The equipment file
            overrides it.

        Returns
        -------
        Detector, GainChoice
        """
        measured = None
        if (value := self.card(sub["flat"], "GAINMEAS")) is not None:
            error = self.card(sub["flat"], "GAINERR") or 0.0
            measured = Estimate(float(value), float(error), 1)
        choice = choose_gain(measured, equipment.get("gain_e_per_adu"), sub["egain"])
        noise_adu = self.card(sub["bias"], "RNOISE")
        read_noise = equipment.get("read_noise_e") or 0.0
        if noise_adu is not None:
            read_noise = float(noise_adu) * choice.value
        stated = equipment.get("saturation_adu")
        if stated is not None:
            return Detector(choice.value, read_noise, stated - overscan_adu), choice
        top = MARGIN * full_scale
        level = top if math.isnan(saturation) else min(top, saturation)
        return Detector(choice.value, read_noise, level), choice
