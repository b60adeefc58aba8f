"""The type of a frame: bias, dark, flat or light, from its header, folder or name."""

import re

MISSING = {"", "unknown", "undefined", "none", "na", "default"}

_WORDS = {
    "dark": "dark darkflat flatdark darkframe",
    "bias": "bias zero offset",
    "flat": "flat skyflat twilightflat domeflat panelflat",
    "light": "light sub object science",
}
_PLURALS = {
    "dark": "darks darkflats flatdarks darkframes",
    "bias": "bias biases zeros zeroes offsets",
    "flat": "flats skyflats twilightflats domeflats",
    "light": "lights subs objects",
}
_SINGULAR = {word: kind for kind, words in _WORDS.items() for word in words.split()}
_PLURAL = {word: kind for kind, words in _PLURALS.items() for word in words.split()}
_NEUTRAL = re.compile(r"frames?|fields?|raw|[a-z]{1,3}")
_LETTERS = re.compile(r"[a-z]+")
_PREFIX = re.compile(r"dark[ _-]?flat[a-z]*|flat[ _-]?dark[a-z]*|[a-z]+")


def kind_of_type(value: str) -> str:
    """Return the kind of a frame from IMAGETYP or a similar card.

    Returns
    -------
    str
        bias, dark, flat or light; ``master`` for a combined frame; empty if unknown.
    """
    word = re.sub(r"[^a-z]", "", value.lower())
    if "master" in word or word.startswith(("super", "combined")):
        return "master"
    if "dark" in word:
        return "dark"
    if word.startswith(("bias", "zero", "offset")):
        return "bias"
    if "flat" in word or word in ("dome", "sky", "twilight"):
        return "flat"
    if word.startswith(("light", "object", "sci", "target")):
        return "light"
    return ""


def kind_of_path(inside: str, folder: str) -> str:
    """Return the kind from the parent folders, the nearest first, then from the file name.

    Parameters
    ----------
    inside : str
        Path inside the raw folder.
    folder : str
        Name of the raw folder, such as ``darks``.
    """
    *parents, name = inside.split("/")
    for part in (*reversed(parents), folder):
        kind = _kind_of_folder(part.lower())
        if kind:
            return kind
    prefix = _PREFIX.match(name.lower())
    word = re.sub(r"[ _-]|frames?$|fields?$", "", prefix[0]) if prefix else ""
    return _PLURAL.get(word) or _SINGULAR.get(word, "")


def _kind_of_folder(name: str) -> str:
    """Return the kind from a folder's name; 'dark' among other words may be a target's name."""
    words = _LETTERS.findall(name)
    joined = "".join(words)
    kinds = [_PLURAL[word] for word in (joined, *words) if word in _PLURAL]
    if not kinds:
        telling = [word for word in words if not _NEUTRAL.fullmatch(word) or word in _SINGULAR]
        kinds = [_SINGULAR[word] for word in ("".join(telling), *telling) if word in _SINGULAR]
        if len(telling) > 1 and "".join(telling) not in _SINGULAR:
            return ""
    return "dark" if "dark" in kinds else kinds[0] if kinds else ""
