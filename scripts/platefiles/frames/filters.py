"""Filters under the many names that capture programs give them.

Names are compared in a canonical spelling: letters in lower case, without blanks, hyphens,
underscores, brackets or a bandwidth such as ``3nm``. Of single letters the case is kept, since
``R``, ``G``, ``B`` and ``I`` mean colour or Cousins filters and ``r``, ``g``, ``i`` the bands of
the Sloan survey. Where a project claims only one of such a pair, it takes both spellings.
"""

import re
import unicodedata
from collections.abc import Mapping, Sequence
from typing import Protocol

_ALIASES = {
    "ha": "ha halpha hydrogenalpha",
    "hb": "hb hbeta hydrogenbeta",
    "oiii": "oiii o3 oxygeniii oxygen3",
    "sii": "sii s2 sulfurii sulphurii sulfur2 sulphur2",
    "nii": "nii n2 nitrogenii nitrogen2",
    "lum": "L l lum lumi luminance luminosity clear",
    "red": "red R",
    "green": "green grn G",
    "blue": "blue blu B b",
    "open": "open no none empty unfiltered air free",
    "V": "V v",
    "U": "U",
    "I": "I",
    "u": "u up sdssu sloanu usdss usloan",
    "g": "g gp sdssg sloang gsdss gsloan",
    "r": "r rp sdssr sloanr rsdss rsloan",
    "i": "i ip sdssi sloani isdss isloan",
    "z": "z Z zp zs sdssz sloanz zsdss zsloan",
}
_CANONICAL = {word: name for name, words in _ALIASES.items() for word in words.split()}

_PAIRS = {
    "red": "r",
    "r": "red",
    "green": "g",
    "g": "green",
    "I": "i",
    "i": "I",
    "U": "u",
    "u": "U",
}

_WAVELENGTHS_NM = {
    # Lines: air wavelengths of the NIST tables; [S II] is the middle of its two lines.
    "ha": 656.3,
    "hb": 486.1,
    "oiii": 500.7,
    "sii": 672.4,
    "nii": 658.4,
    # Middles of the usual imaging filters: common practice, no source.
    "lum": 550.0,
    "red": 630.0,
    "green": 530.0,
    "blue": 450.0,
    # Effective wavelengths: Bessell (1990), PASP 102, 1181.
    "U": 366.0,
    "V": 545.0,
    "I": 798.0,
    # Effective wavelengths: Fukugita et al. (1996), AJ 111, 1748.
    "u": 354.0,
    "g": 477.0,
    "r": 623.0,
    "i": 763.0,
    "z": 913.0,
}

LINES = ("ha", "hb", "oiii", "sii", "nii")
"""Filters that let a line through, and hardly any of the light of stars."""

_BANDWIDTH = re.compile(r"\(?\d+(\.\d+)?\s*nm\b\)?", re.IGNORECASE)
_WORD_FILTER = re.compile(r"filter$", re.IGNORECASE)
_SEPARATORS = re.compile(r"[\s\-_.\[\](){}'\"’′*:/]+")


class _Claims(Protocol):
    @property
    def filters(self) -> Sequence[str]: ...


class _HasChannels(Protocol):
    @property
    def channels(self) -> Mapping[str, _Claims]: ...


def canonical_filter(value: str | None) -> str:
    """Return the canonical spelling of a filter's name.

    Parameters
    ----------
    value : str or None
        FILTER of the header or the project file. None or blank means no filter.

    Returns
    -------
    str
        For known filters one of ``ha hb oiii sii nii lum red green blue U V I u g r i z``;
        ``open`` without a filter; else the name in lower case without separators.
    """
    text = unicodedata.normalize("NFKC", value or "").strip()
    text = text.replace("α", "alpha").replace("β", "beta")
    bare = _SEPARATORS.sub("", _BANDWIDTH.sub(" ", text)) or _SEPARATORS.sub("", text)
    bare = _WORD_FILTER.sub("", bare)
    if not bare:
        return "open"
    if len(bare) > 1:
        bare = bare.lower()
    return _CANONICAL.get(bare, bare)


def claims(project: _HasChannels) -> dict[str, str]:
    """Return the channel of each canonical filter, extended to the other case if unclaimed.

    Parameters
    ----------
    project : Project
        Any object with ``channels``, each with ``filters``. If two channels claim a filter, the
        first gets it.
    """
    taken: dict[str, str] = {}
    for name, channel in project.channels.items():
        for value in channel.filters:
            taken.setdefault(canonical_filter(value), name)
    for filter_name, name in list(taken.items()):
        twin = _PAIRS.get(filter_name)
        if twin is not None:
            taken.setdefault(twin, name)
    return taken


def wavelength_nm(filter_value: str | None) -> float | None:
    """Return the central wavelength of a known filter in nanometres, or None."""
    return _WAVELENGTHS_NM.get(canonical_filter(filter_value))
