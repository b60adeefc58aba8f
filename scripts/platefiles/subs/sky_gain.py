"""The gain of a camera from the sky of the lights of a night, if nothing else gives it."""

from collections import defaultdict
from collections.abc import Hashable, Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np

from platefiles.calibration.master_library import Masters
from platefiles.core.frame_errors import FrameError
from platefiles.core.hashing import canonical
from platefiles.raw_frames.raw_frame import RawImage, open_frame
from platefiles.subs.calibrated_sub import SkyNoise
from platelib.background.mesh import Mesh
from platelib.calibration.calibrate import Detector
from platelib.calibration.photon_transfer import SKY_NOISE, GainChoice, bands
from platelib.calibration.sky_noise_gain import (
    LightVariance,
    SkyCells,
    light_variance,
    limit_of_one,
    sky_cells,
)

_PAIRS = 24
_CELL_PX = 64

File = tuple[str | Path, Mapping[str, Any]]


class SkyGains:
    """Variance per unit of light for the subs of a night with unknown gain.

    Only the subs of that night are used, so that other nights do not change its measures. The subs
    of a setting are compared on the first request.

    Parameters
    ----------
    files : sequence of (path-like, mapping)
        Subs of a night, each with its facts.
    masters : Masters
    """

    def __init__(self, files: Sequence[File], masters: Masters):
        self._masters = masters
        self._known: dict[Hashable, LightVariance | None] = {}
        self._files: dict[Hashable, list[File]] = defaultdict(list)
        for path, facts in sorted(files, key=lambda file: file[1]["start_utc"]):
            self._files[_setting(facts)].append((path, facts))

    def alone(self, facts: Mapping[str, Any], mesh: Mesh) -> float:
        """Return an upper limit on the variance per ADU of light, ADU, from one sub alone.

        The stars of a sub are measured with this limit: they must not depend on other subs of the
        night, since the stars of the reference sub affect all channels.
        """
        above = _zero(self._masters, facts) is not None
        noise = _read_variance(self._masters, facts)
        return limit_of_one(mesh.level, mesh.noise, above, noise)

    def light_variance(self, facts: Mapping[str, Any], alone: float) -> tuple[float, GainChoice]:
        """Return the variance per ADU of light in a sub, and its gain with a remark.

        Parameters
        ----------
        facts : mapping
            Of the sub.
        alone : float
            Limit from the sub alone, used if no other sub can be compared.

        Returns
        -------
        light_variance : float
            ADU.
        choice : GainChoice
            Its value is 1 / light_variance, electrons per ADU.
        """
        known = self._of_setting(facts)
        limit = alone if known is None else known.limit
        if not limit > 0:
            return 0.0, GainChoice(0.0, "unknown", "neither gain nor noise is known")
        value = float(f"{1 / limit:.3g}")
        remark = (
            f"the gain is neither measured nor given; the lower limit from the noise of the sky, "
            f"{value:.3g} e-/ADU, is used"
        )
        if known is not None and not np.isnan(known.estimate):
            remark += f" (estimate: {1 / known.estimate:.3g} +- {self.error(facts):.2g})"
        return limit, GainChoice(value, SKY_NOISE, remark)

    def error(self, facts: Mapping[str, Any]) -> float:
        """Return the standard error of the gain of a sub, electrons per ADU; 0 for a limit."""
        known = self._of_setting(facts)
        if known is None or np.isnan(known.estimate):
            return 0.0
        return float(f"{known.error / known.estimate**2:.3g}")

    def _of_setting(self, facts: Mapping[str, Any]) -> LightVariance | None:
        setting = _setting(facts)
        if setting not in self._known:
            self._known[setting] = self._compared(self._files[setting])
        return self._known[setting]

    def _compared(self, files: Sequence[File]) -> LightVariance | None:
        """Compare up to 24 pairs of subs that follow each other, spread over the night."""
        if len(files) < 2:
            return None
        first = sorted({k * (len(files) - 2) // (_PAIRS - 1) for k in range(_PAIRS)})
        pairs = [_pair(files[k], files[k + 1]) for k in first]
        facts = files[0][1]
        zero, noise = _zero(self._masters, facts), _read_variance(self._masters, facts)
        return light_variance([pair for pair in pairs if pair is not None], zero, noise)


def own_sky_noise(
    image: RawImage, facts: Mapping[str, Any], masters: Masters, detector: Detector, is_raw: bool
) -> SkyNoise:
    """Return the noise of a sub of unknown gain from its own sky alone.

    Parameters
    ----------
    image : RawImage
    facts : mapping
        Of the sub.
    masters : Masters
    detector : Detector
    is_raw : bool
        Whether pixels are in ADU; light adds no variance to calibrated frames.

    Raises
    ------
    FrameError
        If almost no pixel is usable.
    """
    from platefiles.subs.measure_sub import SkySampler

    kinds = (facts[name] for name in ("bias", "dark", "flat", "dark_scale", "pedestal"))
    mesh = SkySampler(_CELL_PX).sample(image, masters.correction(*kinds), detector).mesh
    noise, level = (float(np.median(values)) for values in (mesh.noise, mesh.level))
    per_light = SkyGains((), masters).alone(facts, mesh) if is_raw else 0.0
    return SkyNoise(noise**2, level, per_light)


def _setting(facts: Mapping[str, Any]) -> Hashable:
    """Return the facts that compared subs must share."""
    names = ("setting", "bias", "dark", "flat", "pedestal")
    return *(facts.get(name) for name in names), canonical(facts.get("sections"))


def _zero(masters: Masters, facts: Mapping[str, Any]) -> float | None:
    """Return the level without light, ADU; None without bias, dark and overscan."""
    if facts["bias"] is None and facts["dark"] is None:
        return 0.0 if (facts.get("sections") or {}).get("bias") else None
    kinds = (facts[name] for name in ("bias", "dark", "flat", "dark_scale", "pedestal"))
    return masters.correction(*kinds).zero


def _read_variance(masters: Masters, facts: Mapping[str, Any]) -> float:
    return float(masters.card(facts["bias"], "RNOISE") or 0.0) ** 2


def _pair(one: File, other: File) -> SkyCells | None:
    """Compare two subs; None if either is unreadable, which its own measurement reports."""
    try:
        with open_frame(*one) as first, open_frame(*other) as second:
            if first.shape != second.shape:
                return None
            return _cells(first, second)
    except FrameError:
        return None


def _cells(first: RawImage, second: RawImage) -> SkyCells:
    parts = [
        sky_cells(first.rows(top, bottom), second.rows(top, bottom))
        for top, bottom in bands(first.shape)
    ]
    return SkyCells(
        np.concatenate([part.level for part in parts]),
        np.concatenate([part.variance for part in parts]),
    )
