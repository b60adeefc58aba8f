"""The saturation level of each camera setting, from all measured subs."""

from collections.abc import Sequence

import numpy as np

from platefiles.subs.measures import MeasuredSub
from platelib.calibration.saturation_level import sound_levels


def with_agreed_levels(subs: Sequence[MeasuredSub]) -> list[MeasuredSub]:
    """Set a common saturation level for all subs of a camera setting.

    Subs are measured independently, so that further subs never change the measures of a night. A
    sub with few saturated stars may show no pile-up although others do.

    Parameters
    ----------
    subs : sequence of MeasuredSub
        Of one channel.

    Returns
    -------
    list of MeasuredSub
        In the same order. ``pile_up_adu`` and ``saturation_adu`` are the medians over the setting;
        without any pile-up, ``saturation_adu`` is unchanged. Stars that reach the level are
        flagged.
    """
    by_setting: dict[str, list[MeasuredSub]] = {}
    for sub in subs:
        by_setting.setdefault(sub.facts["setting"], []).append(sub)
    agreed = {setting: _agreed(members) for setting, members in by_setting.items()}
    return [_with_level(sub, *agreed[sub.facts["setting"]]) for sub in subs]


def _agreed(subs: Sequence[MeasuredSub]) -> tuple[float, float]:
    """Return saturation level and pile-up of one setting; NaN and 0 if the subs show none."""
    pile_ups = [sub.facts["pile_up_adu"] for sub in subs]
    sound = sound_levels(pile_ups, [sub.facts["top_adu"] for sub in subs])
    if not sound.any():
        return float("nan"), 0.0
    levels = np.array([sub.facts["saturation_adu"] for sub in subs])[sound]
    return float(np.median(levels)), float(np.median(np.array(pile_ups)[sound]))


def _with_level(sub: MeasuredSub, level: float, pile_up: float) -> MeasuredSub:
    has_own = sub.facts["pile_up_adu"] > 0
    if not pile_up:
        # A pile-up that the other subs contradict is none.
        return sub.with_saturation(level, pile_up) if has_own else sub
    own = sub.facts["saturation_adu"]
    return sub.with_saturation(level if has_own or not own < level else own, pile_up)
