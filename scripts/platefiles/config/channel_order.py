"""The order of channels in jobs, products and tables, whatever order a project file has."""

from collections.abc import Iterable, Mapping, Sequence
from typing import Protocol

from platefiles.frames.filters import LINES, canonical_filter

_ORDER = {
    name: number
    for number, name in enumerate(("lum", "red", "green", "blue", *LINES, *"VUIugriz", "open"))
}


class _Channel(Protocol):
    @property
    def filters(self) -> Sequence[str]: ...


def in_order(channels: Mapping[str, _Channel]) -> list[str]:
    """Return the names of channels in a fixed order, so that the order of keys changes no job.

    Parameters
    ----------
    channels : mapping of str to Channel
        By name, each with its ``filters``.

    Returns
    -------
    list of str
        Luminance, red, green, blue, lines, other known filters, unknown ones; within each by name.
    """
    return sorted(channels, key=lambda name: (_rank(channels[name].filters), name))


def _rank(filters: Iterable[str]) -> int:
    ranks = (_ORDER.get(canonical_filter(one), len(_ORDER)) for one in filters)
    return min(ranks, default=len(_ORDER))
