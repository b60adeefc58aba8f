"""Differences in subs and settings of two versions of a product."""

import json
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

from platefiles.audit.changed_settings import flattened
from platefiles.integration.sub_rows import SubRow
from platefiles.provenance.activities import Making, Record
from platelib.registration.sub_state import SubState


@dataclass(frozen=True)
class SubChange:
    """A sub that differs between two versions.

    Attributes
    ----------
    name, channel : str
    first, second : str
        State in each version; empty if the sub is unknown there.
    first_weight, second_weight : float
        0 if it is not used.
    replaced : bool
        Whether another file has its name.
    """

    name: str
    channel: str
    first: str
    second: str
    first_weight: float
    second_weight: float
    replaced: bool


@dataclass(frozen=True)
class SettingChange:
    """A setting that differs between two versions; None if a version lacks it."""

    step: str
    key: str
    first: Any
    second: Any


def sub_changes(first: Iterable[SubRow], second: Iterable[SubRow]) -> list[SubChange]:
    """Compare the subs of two products, by channel and name.

    Parameters
    ----------
    first, second : iterable of SubRow
    """
    ones = {(row.channel, row.name): row for row in first}
    others = {(row.channel, row.name): row for row in second}
    found = []
    for key in dict.fromkeys([*ones, *others]):
        one, other = ones.get(key), others.get(key)
        row = one or other
        assert row is not None
        change = SubChange(
            row.name,
            row.channel,
            one.state if one else "",
            other.state if other else "",
            one.weight if one else 0.0,
            other.weight if other else 0.0,
            one is not None and other is not None and one.sha256 != other.sha256,
        )
        weighs = change.first == SubState.USED and change.first_weight != change.second_weight
        if change.first != change.second or weighs or change.replaced:
            found.append(change)
    return found


def setting_changes(first: Record, second: Record) -> list[SettingChange]:
    """Compare the settings of two records, product by product; list each change once.

    Parameters
    ----------
    first, second : Record
        Their last products are compared with each other, whatever their names.
    """
    pairs = [
        (making, second.makings[product])
        for product, making in first.makings.items()
        if product in second.makings
    ]
    pairs.append((first.making, second.making))
    found: dict[tuple, SettingChange] = {}
    for one, other in pairs:
        settings, others = _settings(one), _settings(other)
        for key in dict.fromkeys([*settings, *others]):
            values = (settings.get(key), others.get(key))
            if values[0] != values[1]:
                change = SettingChange(other.step, key, *values)
                found.setdefault((change.step, key, *map(str, values)), change)
    return list(found.values())


def _settings(making: Making) -> dict[str, Any]:
    return dict(flattened(json.loads(making.job).get("settings", {})))


def state_counts(changes: Sequence[SubChange]) -> dict[str, list[SubChange]]:
    """Group changes of subs by their states, in words.

    Parameters
    ----------
    changes : sequence of SubChange
    """
    groups: dict[str, list[SubChange]] = {}
    for change in changes:
        if not change.second:
            words = f"only in A ({change.first})"
        elif not change.first:
            words = f"only in B ({change.second})"
        elif change.first != change.second:
            words = f"{change.first} in A, {change.second} in B"
        elif change.replaced:
            words = "another file of the same name"
        else:
            words = "another weight"
        groups.setdefault(words, []).append(change)
    return groups
