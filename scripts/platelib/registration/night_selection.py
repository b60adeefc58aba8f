"""Select the subs of a channel that is integrated night by night.

The subs of a night are compared with each other and with the channel's photometric reference, so
that what a night's stack is made of depends on no other night. Whole nights are then compared with
the subs of the channel: a night with a wrong focus is left out, and comes back if others turn out
to be no better, without being stacked again.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from platelib.registration.frame_selection import (
    Limits,
    Typical,
    best_transparency,
    judge_measures,
    judge_transparency,
    leave_out,
    measured_rows,
)
from platelib.registration.sub_state import SubState

_OF_NIGHT = "sub of the night"


@dataclass(frozen=True)
class Reference:
    """The photometric reference of a channel; its transparency is 1.

    Attributes
    ----------
    fwhm_px, sky_rate : float
        0 or NaN if unknown.
    """

    fwhm_px: float
    sky_rate: float


def judge_night(rows: Sequence[dict[str, Any]], reference: Reference, limits: Limits) -> None:
    """Set state and reason of the subs of a night, in place.

    Parameters
    ----------
    rows : sequence of dict
        Rows of the night's registration.
    reference : Reference
    limits : Limits
        Those relative to the median allow what they allow of the reference, too: a night of very
        good seeing does not reject subs as sharp as the reference.
    """
    measured = measured_rows(rows)
    typical = Typical.among(measured, _OF_NIGHT)
    typical = typical.at_least(reference.fwhm_px, reference.sky_rate, np.nan)
    judge_measures(rows, limits, typical)
    used = [row for row in rows if row["state"] == SubState.USED]
    best = float(np.fmax(Typical.among(used).transparency, 1.0))
    judge_transparency(rows, limits, best)


def judge_whole_nights(
    nights: Mapping[str, Sequence[dict[str, Any]]], everyone: Typical, limits: Limits
) -> None:
    """Leave out nights whose typical sub the limits of the channel exclude, in place.

    Parameters
    ----------
    nights : mapping of str to sequence of dict
        Rows of each night after `judge_night`.
    everyone : Typical
        Of all used subs of the channel.
    limits : Limits
    """
    for night, rows in nights.items():
        used = [row for row in rows if row["state"] == SubState.USED]
        if not used:
            continue
        own = Typical.among(used)
        row: dict[str, Any] = {
            "state": SubState.USED,
            "reason": "",
            "stars": round(own.stars),
            "fwhm_px": own.fwhm_px,
            "ellipticity": 0.0,
            "sky_rate": own.sky_rate,
            "factor": 1 / best_transparency([1 / row["factor"] for row in used]),
            "causes": (),
        }
        judge_measures([row], limits, everyone)
        judge_transparency([row], limits, everyone.transparency)
        if row["state"] == SubState.USED:
            continue
        for one in used:
            leave_out(one, row["state"], f"its night {night}: {row['reason']}", *row["causes"])
            one["weight"] = 0.0
