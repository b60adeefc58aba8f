"""Find focus and test exposures among lights, by names and by exposure, binning and size."""

import re
from collections import defaultdict
from collections.abc import Hashable, Iterable, Sequence
from dataclasses import dataclass

from platecli.drafting.found_lights import Light, by_filter, total_s
from platefiles.core.safe_names import escape
from platefiles.raw_folders.scan import RawFile

_TRIAL = re.compile(
    r"(?:auto)?foc(?:us(?:s?ing|er|test)?)?|test(?:s|ing|shots?)?|trials?|snapshots?"
    r"|framing|cent(?:er|r)ing|platesolv(?:e|ing)"
)
_LETTERS = re.compile(r"[a-z]+")
_RATIO = 3.0
"""Exposures that differ by less are one series (3 is larger than steps for sky brightness)."""
_SMALL_SHARE = 0.05
"""Share of the time, or of the count, up to which frames are an exception in their channel."""
_MOST_LONG = 2
GLANCE_S = 15.0
"""Longest exposure with which one points and focuses, in seconds."""
GLANCE_SHARE = 0.01
"""Share of the time of the raw folders that such exposures have together at most."""
_GLANCE_RATIO, _MOST_GLANCES = 10.0, 5


@dataclass(frozen=True)
class Trial:
    """Lights that look like focus or test exposures, for one reason.

    Attributes
    ----------
    lights : tuple of Light
    why : str
        In a few words.
    """

    lights: tuple[Light, ...]
    why: str


def named_trials(lights: Sequence[Light]) -> list[Trial]:
    """Find lights whose folder, name or OBJECT says focus or test.

    Parameters
    ----------
    lights : sequence of Light
        All lights of the raw folders.

    Returns
    -------
    list of Trial
        Empty if more exposure time would be excluded than kept: the names then mean something else.
    """
    groups: dict[str, list[Light]] = defaultdict(list)
    for light in lights:
        why = _says_trial(light)
        if why:
            groups[why].append(light)
    found = [light for group in groups.values() for light in group]
    rest = len(lights) - len(found)
    if not rest or total_s(found) > total_s(lights) / 2:
        return []
    return [Trial(tuple(group), why) for why, group in sorted(groups.items())]


def odd_trials(lights: Sequence[Light]) -> list[Trial]:
    """Find the few lights that differ from the rest of their target.

    Parameters
    ----------
    lights : sequence of Light
        All lights of one target, without `named_trials`.

    Returns
    -------
    list of Trial
        Lights of another binning or size than nearly all of their filter, exposures that are a
        third of the usual one or less (or three times as long and single ones), and filters of
        which there are only a few glances of seconds. What makes up more than 5 % of a channel is
        never among them. The limits are common practice, no source. The rest is searched again
        until there are none.
    """
    trials: list[Trial] = []
    while found := _odd_at_once(_without(lights, [light for t in trials for light in t.lights])):
        trials += found
    return trials


def _odd_at_once(lights: Sequence[Light]) -> list[Trial]:
    trials: list[Trial] = []
    kept: list[Light] = []
    for channel in by_filter(lights).values():
        odd = _other_modes(channel)
        if odd:
            trials.append(Trial(tuple(odd), "another binning or size"))
        rest = _without(channel, odd)
        usual_s = usual_exposure_s(rest)
        for exposure_s, group in sorted(_by_exposure(rest).items()):
            if _is_exception(exposure_s, group, usual_s, rest):
                trials.append(Trial(tuple(group), f"{exposure_s:g} s beside {usual_s:g} s"))
                rest = _without(rest, group)
        kept += rest
    usual_s, total = usual_exposure_s(kept), total_s(kept)
    for channel in by_filter(kept).values():
        longest, share_s = max(light.exposure_s for light in channel), GLANCE_SHARE * total
        is_glance = 0 < longest <= min(GLANCE_S, usual_s / _GLANCE_RATIO)
        if is_glance and len(channel) <= _MOST_GLANCES and total_s(channel) <= share_s:
            why = f"{longest:g} s beside {usual_s:g} s, the only ones of their filter"
            trials.append(Trial(tuple(channel), why))
    return trials


def usual_exposure_s(lights: Sequence[Light]) -> float:
    """Return the exposure at which half of the exposure time is reached, in seconds."""
    half, passed = total_s(lights) / 2, 0.0
    for light in sorted(lights, key=lambda light: light.exposure_s):
        passed += light.exposure_s
        if passed >= half:
            return light.exposure_s
    return 0.0


def patterns_for(
    unwanted: Sequence[Light], files: Sequence[RawFile], others: Iterable[Light] = ()
) -> dict[str, Light]:
    """Return patterns for `exclude` that match these lights and no wanted file.

    Parameters
    ----------
    unwanted : sequence of Light
    files : sequence of RawFile
        All files of the raw folders.
    others : iterable of Light
        Lights that the patterns may also match.

    Returns
    -------
    dict
        A light that a pattern fits, by pattern: a folder where all in it is unwanted, else names.
        A light whose name other files share is left out.
    """
    bad = {light.file.path for light in (*unwanted, *others)}
    patterns: dict[str, Light] = {}
    waiting = list(unwanted)
    folders = {part for light in waiting for part in _folders(light.file.inside)}
    for folder in sorted(folders, key=lambda folder: (len(folder), folder)):
        start = f"{folder}/"
        held = [file for file in files if file.inside.startswith(start)]
        inside = [light for light in waiting if light.file.inside.startswith(start)]
        if inside and all(file.path in bad or file.reason for file in held):
            patterns[f"{_literal(escape(folder))}/*"] = inside[0]
            waiting = _without(waiting, inside)
    called: dict[str, set[str]] = defaultdict(set)
    for file in files:
        for text in (file.inside, file.name):
            called[text].add(file.path)
            called[text.rsplit("/", 1)[-1]].add(file.path)
    for light in sorted(waiting, key=lambda light: light.file.name):
        if called[light.file.name] <= bad:
            patterns.setdefault(_literal(light.file.name), light)
    return patterns


def _says_trial(light: Light) -> str:
    *folders, name = light.file.inside.lower().split("/")
    for folder in folders:
        if _trial_word(folder):
            return f"in a folder called {escape(folder)}"
    word = _trial_word(name.split(".fit")[0].split(".fts")[0])
    if word:
        return f"{word} in their names"
    word = _trial_word(light.facts.target.lower())
    return f"OBJECT says {word}" if word else ""


def _trial_word(text: str) -> str:
    """Return the first word for focus or test in a lower-case text."""
    return next((word for word in _LETTERS.findall(text) if _TRIAL.fullmatch(word)), "")


def _by_exposure(lights: Sequence[Light]) -> dict[float, list[Light]]:
    groups: dict[float, list[Light]] = defaultdict(list)
    for light in lights:
        if light.exposure_s:
            groups[round(light.exposure_s, 3)].append(light)
    return dict(groups)


def _is_exception(
    exposure_s: float, group: Sequence[Light], usual_s: float, lights: Sequence[Light]
) -> bool:
    if exposure_s * _RATIO <= usual_s:
        return total_s(group) <= _SMALL_SHARE * total_s(lights)
    few = len(group) <= min(_MOST_LONG, _SMALL_SHARE * len(lights))
    return exposure_s >= usual_s * _RATIO and few


def _other_modes(lights: Sequence[Light]) -> list[Light]:
    """Return the lights of another binning or size than nearly all time of the same camera has."""
    modes: dict[str, dict[Hashable, list[Light]]] = defaultdict(lambda: defaultdict(list))
    for light in lights:
        modes[light.facts.camera][light.camera_mode].append(light)
    odd: list[Light] = []
    for groups in modes.values():
        same_camera = [light for group in groups.values() for light in group]
        main = max(groups.values(), key=lambda group: (total_s(group), len(group)))
        rest = _without(same_camera, main)
        if total_s(main) and total_s(rest) <= _SMALL_SHARE * total_s(same_camera):
            odd += rest
    return odd


def _without(lights: Sequence[Light], others: Sequence[Light]) -> list[Light]:
    unwanted = set(others)
    return [light for light in lights if light not in unwanted]


def _folders(inside: str) -> list[str]:
    parts = inside.split("/")[:-1]
    return ["/".join(parts[: n + 1]) for n in range(len(parts))]


def _literal(text: str) -> str:
    return re.sub(r"([*?\[])", r"[\1]", text)
