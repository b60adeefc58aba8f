"""Lights of a draft: a raw file with the facts of its header."""

from collections import Counter, defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

from platefiles.astrometry.pointing_hint import locate_field
from platefiles.frames.dialects import Facts
from platefiles.frames.filters import canonical_filter
from platefiles.raw_folders.light_selection import canonical_object, pointing
from platefiles.raw_folders.scan import RawFile
from platefiles.settings.field import Pointing

_NOTHING_STATED = Pointing()


@dataclass(frozen=True, eq=False)
class Light:
    """A light of a raw folder.

    Attributes
    ----------
    file : RawFile
    facts : Facts
        Facts of its header.
    object_name : str
        Canonical OBJECT, empty if missing.
    pointing : tuple of float or None
        Right ascension and declination in degrees.
    side_deg : float or None
        Shorter side of its field.
    """

    file: RawFile
    facts: Facts
    object_name: str = field(init=False)
    pointing: tuple[float, float] | None = field(init=False)
    side_deg: float | None = field(init=False)

    def __post_init__(self) -> None:
        """Derive the values for comparison between lights."""
        scales = locate_field(self.facts, _NOTHING_STATED, {}).scales_arcsec
        short_px = min(self.file.width_px, self.file.height_px)
        object.__setattr__(self, "object_name", canonical_object(self.facts.target))
        object.__setattr__(self, "pointing", pointing(self.facts))
        object.__setattr__(self, "side_deg", short_px * scales[0] / 3600 if scales else None)

    @property
    def exposure_s(self) -> float:
        """Exposure time in seconds, 0 if the header lacks it."""
        return self.facts.exposure_s or 0.0

    @property
    def filter_name(self) -> str:
        """Canonical name of the filter."""
        return canonical_filter(self.facts.filter)

    @property
    def camera_mode(self) -> tuple[str, int, int]:
        """Binning, width and height."""
        return self.facts.binning, self.file.width_px, self.file.height_px


def total_s(lights: Iterable[Light]) -> float:
    """Return the total exposure time of lights, in seconds."""
    return sum(light.exposure_s for light in lights)


def most_frequent(words: Iterable[str]) -> str:
    """Return the most frequent word, the first in order among equals; empty if there is none."""
    counts = Counter(word for word in words if word)
    return max(sorted(counts), key=lambda word: counts[word], default="")


def by_filter(lights: Sequence[Light]) -> dict[str, list[Light]]:
    """Group lights by filter."""
    groups: dict[str, list[Light]] = defaultdict(list)
    for light in lights:
        groups[light.filter_name].append(light)
    return dict(groups)
