"""Select the usable subs, and give the reason for each of the others.

Of the states of `platelib.registration.sub_state.SubState`, unreadable and saturated come from
measuring, and the others from comparing.
"""

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from platelib.registration.sub_state import Cause, SubState

_SPARSE = 0.2
_ABOVE_BEST = 10
_FEWEST_TO_DOUBT = 3
_REMEDIES = {
    SubState.FEW_STARS: "lower quality: min_stars or measure: detection_sigma",
    SubState.ELONGATED: "raise quality: max_ellipticity",
    SubState.BLURRED: "raise quality: max_fwhm_ratio",
    SubState.BRIGHT_SKY: "raise quality: max_background_ratio",
}
_REMEDIES_OF_MATCHES = {
    Cause.MIN_MATCHES: "lower registration: min_matches",
    Cause.MAX_RMS_PX: "raise registration: max_rms_px",
    Cause.MAX_DEGREE: "raise registration: max_degree",
}


@dataclass(frozen=True)
class Limits:
    """Limits of the ``quality`` group of a recipe.

    ``min_transparency`` is a share of the brightness that stars have in the best subs, see
    :func:`best_transparency`.
    """

    min_stars: int
    min_transparency: float
    max_fwhm_ratio: float
    max_ellipticity: float
    max_background_ratio: float


@dataclass(frozen=True)
class Typical:
    """What subs are compared with.

    Attributes
    ----------
    stars, fwhm_px, sky_rate : float
        Medians of the measured subs; NaN if unknown.
    transparency : float
        That of the best subs, see :func:`best_transparency`.
    of : str
        In words, after "the median": ``sub``, or ``sub of the night``.
    """

    stars: float
    fwhm_px: float
    sky_rate: float
    transparency: float
    of: str = "sub"

    @classmethod
    def among(cls, rows: Sequence[Mapping[str, Any]], of: str = "sub") -> "Typical":
        """Return the typical measures of subs that were measured, whether they are used or not."""
        widths = [row["fwhm_px"] for row in rows if np.isfinite(row["fwhm_px"])]
        return cls(
            float(np.median([row["stars"] for row in rows])) if rows else np.nan,
            float(np.median(widths)) if widths else np.nan,
            float(np.median([row["sky_rate"] for row in rows])) if rows else np.nan,
            best_transparency([_transparency(row) for row in rows]),
            of,
        )

    def at_least(self, fwhm_px: float, sky_rate: float, transparency: float) -> "Typical":
        """Return it with lower limits; NaN limits nothing."""
        return replace(
            self,
            fwhm_px=float(np.fmax(self.fwhm_px, fwhm_px)),
            sky_rate=float(np.fmax(self.sky_rate, sky_rate)),
            transparency=float(np.fmax(self.transparency, transparency)),
        )


def measured_rows(rows: Sequence[dict[str, Any]]) -> list[dict[str, Any]]:
    """Return the rows of subs whose stars were measured: those used, and those unmatched."""
    return [row for row in rows if row["state"] in (SubState.USED, SubState.UNMATCHED)]


def judge_measures(rows: Sequence[dict[str, Any]], limits: Limits, typical: Typical) -> None:
    """Set state and reason, in place, from the measures of each sub alone.

    Parameters
    ----------
    rows : sequence of dict
        With ``state``, ``reason``, ``stars``, ``fwhm_px``, ``ellipticity`` and ``sky_rate``.
    limits : Limits
    typical : Typical
    """
    of = typical.of
    for row in measured_rows(rows):
        if row["stars"] < _SPARSE * typical.stars:
            found = f"{_stars(row)}, {typical.stars:.0f} in the median {of}, limit {_SPARSE:.0%}"
            leave_out(row, SubState.CLOUDED, found, Cause.FAR_FEWER_STARS)
        elif row["stars"] < limits.min_stars:
            said = f"{_stars(row)}, limit at least {limits.min_stars} (quality.min_stars)"
            leave_out(row, SubState.FEW_STARS, said, Cause.MIN_STARS)
        elif row["ellipticity"] > limits.max_ellipticity:
            found = f"ellipticity {row['ellipticity']:.2f}"
            said = _above(found, limits.max_ellipticity, "max_ellipticity")
            leave_out(row, SubState.ELONGATED, said, Cause.MAX_ELLIPTICITY)
        elif row["fwhm_px"] > limits.max_fwhm_ratio * typical.fwhm_px:
            ratio = row["fwhm_px"] / typical.fwhm_px
            found = f"FWHM {row['fwhm_px']:.1f} px, {ratio:.3g} times the median"
            said = _above(found, limits.max_fwhm_ratio, "max_fwhm_ratio")
            leave_out(row, SubState.BLURRED, said, Cause.MAX_FWHM_RATIO)
        elif (
            typical.sky_rate > 0
            and row["sky_rate"] > limits.max_background_ratio * typical.sky_rate
        ):
            found = f"sky {row['sky_rate'] / typical.sky_rate:.3g} times the median"
            said = _above(found, limits.max_background_ratio, "max_background_ratio")
            leave_out(row, SubState.BRIGHT_SKY, said, Cause.MAX_BACKGROUND_RATIO)


def judge_transparency(rows: Sequence[dict[str, Any]], limits: Limits, best: float) -> None:
    """Set state and reason, in place, from the brightness of the stars.

    Parameters
    ----------
    rows : sequence of dict
        With ``state`` and ``factor``; ``transparency`` is set.
    limits : Limits
    best : float
        Transparency of the best subs; NaN leaves all as they are.
    """
    for row in rows:
        row["transparency"] = _transparency(row)
        share = row["transparency"] / best
        if row["state"] == SubState.USED and share < limits.min_transparency:
            limit = f"limit at least {limits.min_transparency:g} (quality.min_transparency)"
            said = f"transparency {share:.3g} of the channel's best subs, {limit}"
            leave_out(row, SubState.CLOUDED, said, Cause.MIN_TRANSPARENCY)


def absolute_weight(row: Mapping[str, Any], weights: str) -> float:
    """Return the weight of a sub in the mean, which no other sub changes.

    Parameters
    ----------
    row : mapping
        With ``noise_rate`` and ``fwhm_px``.
    weights : str
        ``"noise"``: 1 / noise^2; ``"noise_and_seeing"``: 1 / (noise FWHM)^2; ``"equal"``: 1.
    """
    if weights == "equal":
        return 1.0
    spread = row["noise_rate"] * (row["fwhm_px"] if weights == "noise_and_seeing" else 1.0)
    return float(1 / spread**2)


def set_weights(rows: Sequence[dict[str, Any]], weights: str) -> None:
    """Set the weights of the used subs, in place, relative to the largest, to six digits.

    Parameters
    ----------
    rows : sequence of dict
    weights : str
        As for `absolute_weight`.
    """
    used = [row for row in rows if row["state"] == SubState.USED]
    raw = [absolute_weight(row, weights) for row in used]
    for row, weight in zip(used, raw, strict=True):
        row["weight"] = float(f"{weight / max(raw):.6g}")


def best_transparency(transparencies: Sequence[float]) -> float:
    """Return the transparency of the best subs of a channel.

    Clouds and haze only ever dim the stars, so the brightest subs show the clear sky; a brightness
    scale that went wrong must not pass for one. Of three subs or more the brightest tenth, at least
    one sub, is therefore passed over.

    Parameters
    ----------
    transparencies : sequence of float
        Of the subs that are used so far, relative to the photometric reference.

    Returns
    -------
    float
        NaN if there are none.
    """
    ranked = sorted(value for value in transparencies if np.isfinite(value))
    if not ranked:
        return np.nan
    above = max(1, len(ranked) // _ABOVE_BEST) if len(ranked) >= _FEWEST_TO_DOUBT else 0
    return float(ranked[-1 - above])


def counted(states: Iterable[str]) -> str:
    """Count subs by state, such as ``3 clouded, 2 elongated``."""
    return ", ".join(f"{number} {state}" for state, number in sorted(Counter(states).items()))


def remedy(rows: Sequence[Mapping[str, Any]]) -> str:
    """Return the remedy if no sub of a channel can be used.

    Parameters
    ----------
    rows : sequence of mapping
        With ``state``, ``reason`` and ``causes``; the most frequent state decides.
    """
    state = Counter(row["state"] for row in rows).most_common(1)[0][0]
    if state in _REMEDIES:
        return f"add better subs, or {_REMEDIES[state]} in the recipe"
    if state != SubState.UNMATCHED:
        return "add better subs, or take the channel out of the project file"
    unmatched = [row for row in rows if row["state"] == state]
    for cause, change in _REMEDIES_OF_MATCHES.items():
        for row in unmatched:
            if cause in row["causes"]:
                return f"{change} in the recipe ({row['reason']})"
    return (
        f"check that they show the field of the reference ({unmatched[0]['reason']}), and name "
        "another reference in the project file if the chosen one is poor"
    )


def _transparency(row: Mapping[str, Any]) -> float:
    return 1 / row["factor"] if row["factor"] > 0 else np.nan


def _above(found: str, limit: float, key: str) -> str:
    return f"{found}, limit {limit:g} (quality.{key})"


def _stars(row: dict[str, Any]) -> str:
    return "1 star" if row["stars"] == 1 else f"{row['stars']} stars"


def leave_out(row: dict[str, Any], state: SubState, reason: str, *causes: Cause) -> None:
    """Set state, reason and causes of a rejected sub.

    Parameters
    ----------
    row : dict
        Row of the sub; ``state``, ``reason`` and ``causes`` are set in place.
    state : SubState
    reason : str
    *causes : Cause
    """
    row["state"], row["reason"], row["causes"] = state, reason, causes
