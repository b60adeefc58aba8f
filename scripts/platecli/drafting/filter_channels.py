"""Filters of lights: the channel of each, and filters in file names."""

import re
from collections.abc import Iterable, Sequence

from platecli.drafting.found_lights import Light
from platefiles.core.safe_names import slug
from platefiles.frames.filters import canonical_filter, wavelength_nm

_SHORT = {"red": "r", "green": "g", "blue": "b"}
_TOKEN = re.compile(r"[A-Za-z]+[0-9]*")


def name_channels(filters: Iterable[str]) -> dict[str, tuple[str, ...]]:
    """Propose a channel for each filter.

    Parameters
    ----------
    filters : iterable of str
        FILTER of each light, empty if missing.

    Returns
    -------
    dict
        The spellings found, by the name of the channel: the canonical name of the filter, with
        r, g and b for red, green and blue unless a survey's band needs the letter.
    """
    spellings: dict[str, set[str]] = {}
    for value in filters:
        spellings.setdefault(canonical_filter(value), set()).add(value or "open")
    channels: dict[str, tuple[str, ...]] = {}
    for filter_name in sorted(spellings):
        short = _SHORT.get(filter_name, "")
        name = short if short and short not in spellings else slug(filter_name, 18) or "filter"
        unique, number = name, 2
        while unique in channels:
            unique, number = f"{name}{number}", number + 1
        channels[unique] = tuple(sorted(spellings[filter_name]))
    return dict(sorted(channels.items()))


def filters_in_names(lights: Sequence[Light]) -> dict[str, str]:
    """Return filters by file name, if names distinguish filters among lights of one FILTER.

    Parameters
    ----------
    lights : sequence of Light
    """
    named: dict[str, dict[str, str]] = {}
    for light in lights:
        file = light.file
        stem = file.inside.rsplit("/", 1)[-1].split(".", 1)[0]
        tokens = [token for token in _TOKEN.findall(stem) if wavelength_nm(token) is not None]
        found = light.filter_name
        named.setdefault(found, {})[file.name] = tokens[-1] if tokens else ""
    renamed: dict[str, str] = {}
    for found, tokens_by_name in named.items():
        seen = {canonical_filter(token) for token in tokens_by_name.values() if token}
        if len(seen) > 1:
            renamed |= {
                name: token
                for name, token in tokens_by_name.items()
                if token and canonical_filter(token) != found
            }
    return dict(sorted(renamed.items()))
