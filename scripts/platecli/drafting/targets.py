"""Group the lights of raw folders into targets, by OBJECT and pointing."""

import math
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

from platecli.drafting.found_lights import Light, most_frequent, total_s
from platecli.drafting.trial_exposures import GLANCE_S, GLANCE_SHARE
from platefiles.raw_folders.light_selection import canonical_object, separation_deg

_OVERLAP = 0.5
"""Share of the shorter side of a field within which two pointings are one: they share more than
half of their sky, more than panels of a mosaic do (common practice, no source)."""
_UNKNOWN_SAME_DEG, _UNKNOWN_OTHER_DEG = 1.0, 0.1
"""The same where the size of the field is unknown: for one OBJECT, and for two."""
_FEW_LIGHTS = 3


@dataclass(frozen=True, eq=False)
class Target:
    """Lights of one place on the sky, or of one OBJECT.

    Attributes
    ----------
    title : str
        Most frequent OBJECT; empty if no light has one.
    lights : tuple of Light
    names : frozenset of str
        Canonical OBJECT of its lights.
    number : int
        Number from 1 if one OBJECT has several pointings, else 0.
    """

    title: str
    lights: tuple[Light, ...]
    names: frozenset[str]
    number: int = 0

    @property
    def numbered_title(self) -> str:
        """Title, with the number of the pointing if there are several."""
        several = f", pointing {self.number}" if self.number and self.title else ""
        return f"{self.title}{several}"

    @property
    def spellings(self) -> tuple[str, ...]:
        """Most frequent spelling of each name in OBJECT."""
        by_name: dict[str, list[str]] = defaultdict(list)
        for light in self.lights:
            by_name[light.object_name].append(light.facts.target)
        return tuple(most_frequent(found) for name, found in sorted(by_name.items()) if name)

    @property
    def place(self) -> tuple[float, float] | None:
        """Right ascension and declination of the first light that has them, in degrees."""
        return next((light.pointing for light in self.lights if light.pointing), None)


@dataclass(frozen=True, eq=False)
class Grouping:
    """Lights by target.

    Attributes
    ----------
    targets : tuple of Target
        In the order of titles and numbers.
    few : tuple of Target
        Targets with less than 1 % of the time, in one or two lights or exposures of seconds, such
        as focusing on a star.
    unclear : tuple of Light
        Lights that cannot be assigned to one of several targets.
    """

    targets: tuple[Target, ...]
    few: tuple[Target, ...]
    unclear: tuple[Light, ...]

    @property
    def several_pointings(self) -> list[Target]:
        """Targets distinguished only by their pointings."""
        return [target for target in self.targets if target.number]


def group_lights(lights: Sequence[Light]) -> Grouping:
    """Group lights by target.

    Lights whose fields overlap by more than half belong to one target, regardless of OBJECT. Lights
    without a pointing are grouped by OBJECT alone.

    Parameters
    ----------
    lights : sequence of Light
    """
    placed = _placed(lights)
    clusters_of: dict[str, list[int]] = defaultdict(list)
    for index, cluster in enumerate(placed):
        for name in {light.object_name for light in cluster} - {""}:
            clusters_of[name].append(index)
    members = [list(cluster) for cluster in placed]
    by_name: dict[str, list[Light]] = defaultdict(list)
    unclear = []
    for light in lights:
        if light.pointing is not None:
            continue
        homes = clusters_of.get(light.object_name, [])
        if len(homes) == 1:
            members[homes[0]].append(light)
        elif homes or not light.object_name:
            unclear.append(light)
        else:
            by_name[light.object_name].append(light)
    members += by_name.values()
    if not members:
        return Grouping((_target(lights),), (), ())
    if len(members) == 1:
        return Grouping((_target([*members[0], *unclear]),), (), ())
    return _told_apart(members, unclear, lights)


def selection_of(target: Target, others: Sequence[Light]) -> dict[str, Any]:
    """Return the key ``lights`` that selects a target, and nothing else, among other lights.

    Parameters
    ----------
    target : Target
    others : sequence of Light
        The lights to exclude.

    Returns
    -------
    dict
        ``objects``, or ``ra_deg``, ``dec_deg`` and ``radius_deg``; empty if no condition on headers
        suffices.
    """
    foreign = {light.object_name for light in others}
    if "" not in target.names and not target.names & foreign:
        return {"objects": list(target.spellings)}
    places = [light.pointing for light in target.lights]
    known = [place for place in places if place is not None]
    if len(known) < len(places) or not known:
        return {}
    ra, dec = _middle(known)
    own = max(separation_deg(ra, dec, *place) for place in known)
    away = [separation_deg(ra, dec, *one.pointing) for one in others if one.pointing]
    nearest = min(away, default=180.0)
    side = max(light.side_deg or _UNKNOWN_SAME_DEG for light in target.lights)
    radius = round(min((own + nearest) / 2, own + side), 4)
    if not own < radius < nearest:
        return {}
    return {"ra_deg": ra, "dec_deg": dec, "radius_deg": radius}


def _middle(places: Sequence[tuple[float, float]]) -> tuple[float, float]:
    """Return the direction of the mean of unit vectors, in degrees."""
    x = y = z = 0.0
    for ra, dec in places:
        a, d = math.radians(ra), math.radians(dec)
        x, y = x + math.cos(d) * math.cos(a), y + math.cos(d) * math.sin(a)
        z += math.sin(d)
    ra = round(math.degrees(math.atan2(y, x)) % 360, 4) % 360
    return ra, round(math.degrees(math.atan2(z, math.hypot(x, y))), 4)


def together(lights: Sequence[Light]) -> Grouping:
    """Group all lights as one target."""
    return Grouping((_target(lights),), (), ())


def of_object(lights: Sequence[Light], name: str) -> list[Light]:
    """Return the lights whose OBJECT is a name, in any common spelling."""
    wanted = canonical_object(name)
    return [light for light in lights if light.object_name == wanted]


def _target(lights: Sequence[Light]) -> Target:
    title = most_frequent(light.facts.target for light in lights)
    return Target(title, tuple(lights), frozenset(light.object_name for light in lights))


def _told_apart(
    members: Sequence[Sequence[Light]], unclear: Sequence[Light], lights: Sequence[Light]
) -> Grouping:
    targets = [_target(group) for group in members]
    limit_s = GLANCE_SHARE * total_s(lights)
    few = [
        target
        for target in targets
        if (len(target.lights) < _FEW_LIGHTS or _are_glances(target.lights))
        and total_s(target.lights) < limit_s
    ]
    targets = [target for target in targets if target not in few]
    titles = [canonical_object(target.title) for target in targets]
    numbered = []
    for target in sorted(targets, key=_order):
        title = canonical_object(target.title)
        several = titles.count(title) > 1
        number = 1 + sum(canonical_object(other.title) == title for other in numbered)
        numbered.append(replace(target, number=number if several else 0))
    return Grouping(tuple(numbered), tuple(sorted(few, key=_order)), tuple(unclear))


def _are_glances(lights: Sequence[Light]) -> bool:
    return max(light.exposure_s for light in lights) <= GLANCE_S


def _order(target: Target) -> tuple[str, tuple[float, float], str]:
    place = target.place or (math.inf, math.inf)
    return canonical_object(target.title), place, min(light.file.name for light in target.lights)


def _placed(lights: Sequence[Light]) -> list[list[Light]]:
    """Join lights with a pointing as long as each is near to another one (single linkage).

    So a field that drifts through the night, or is dithered, stays one.
    """
    places: dict[tuple, list[Light]] = defaultdict(list)
    for light in lights:
        if light.pointing is not None:
            places[(*light.pointing, light.object_name, light.side_deg)].append(light)
    waiting = sorted(places, key=lambda key: (key[0], key[1], key[2], key[3] or 0.0))
    clusters = []
    while waiting:
        reached, border = [], [waiting.pop(0)]
        while border:
            here, far = border.pop(), []
            reached.append(here)
            for other in waiting:
                (border if _is_near(here, other) else far).append(other)
            waiting = far
        clusters.append([light for key in reached for light in places[key]])
    return clusters


def _is_near(one: tuple, other: tuple) -> bool:
    sides = [key[3] for key in (one, other) if key[3] is not None]
    if sides:
        limit = _OVERLAP * min(sides)
    else:
        limit = _UNKNOWN_SAME_DEG if one[2] == other[2] else _UNKNOWN_OTHER_DEG
    return separation_deg(*one[:2], *other[:2]) <= limit
