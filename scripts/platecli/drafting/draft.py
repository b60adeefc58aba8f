"""The text of a project file drafted from raw folders."""

import json
import os
import re
import textwrap
from collections import Counter
from collections.abc import Iterable, Sequence
from pathlib import Path

from platecli.drafting.calibrated_lights import CALIBRATION_KINDS
from platecli.drafting.filter_channels import name_channels
from platecli.drafting.recipe_choice import colour_rows, recipe_for
from platecli.drafting.survey import Survey
from platefiles.config.load import SHIPPED
from platefiles.core.errors import UserError
from platefiles.frames.filters import wavelength_nm
from platefiles.frames.frame import Frame

_PLAIN = re.compile(r"[A-Za-z](?:[A-Za-z0-9 _.'-]*[A-Za-z0-9_.'-])?")
_WORDS_OF_YAML = {"true", "false", "null", "yes", "no", "on", "off", "y", "n"}
_MOST_LISTED = 12


def draft_text(survey: Survey, name: str, projects_dir: Path) -> str:
    """Write the draft of a project's file.

    Parameters
    ----------
    survey : Survey
        The survey of the raw folders.
    name : str
        Name of the project; also the title if the headers name no target.
    projects_dir : Path
        Absolute folder of the file; relative paths start there.

    Raises
    ------
    UserError
        If the path of a raw folder is not UTF-8, as YAML requires.
    """
    blocks = [
        _head(survey, name, projects_dir),
        _raw(survey, projects_dir),
        _selection(survey),
        _exclude(survey),
        *_way(survey),
        _channels(survey),
        _fixes(survey),
        _overrides(survey),
        _found(survey),
    ]
    return "\n\n".join("\n".join(block) for block in blocks if block) + "\n"


def quoted(text: str) -> str:
    """Return a text as a YAML value: plain if safe, else in double quotes."""
    if _PLAIN.fullmatch(text) and text.lower() not in _WORDS_OF_YAML:
        return text
    return json.dumps(text, ensure_ascii=not text.isprintable())


def exposures(frames: Iterable[Frame]) -> str:
    """Return counts and exposures of frames, such as ``8 x 600 s, 2 x 60 s``."""
    counts = Counter(round(frame.exposure_s, 3) for frame in frames)
    return ", ".join(
        f"{count} x {exposure:g} s" if exposure else f"{count} of unknown exposure"
        for exposure, count in sorted(counts.items())
    )


def duration(seconds: float) -> str:
    """Return the total exposure of lights, such as ``1 h 20 min``; unknown exposures count as 0."""
    if not seconds:
        return "unknown exposure"
    if seconds < 60:
        return f"{seconds:.3g} s"
    minutes = round(seconds / 60)
    return f"{minutes // 60} h {minutes % 60:02d} min" if minutes >= 60 else f"{minutes} min"


def nights(frames: Iterable[Frame]) -> dict[str, list[Frame]]:
    """Return frames by night, in the order of nights."""
    by_night: dict[str, list[Frame]] = {}
    for frame in frames:
        by_night.setdefault(frame.night, []).append(frame)
    return dict(sorted(by_night.items()))


def question_of_colours(survey: Survey) -> str:
    """Ask for the colours of filters whose names indicate none."""
    names = ", ".join(repr(survey.channels[name][0]) for name in survey.unmapped)
    several = len(survey.unmapped) > 1
    sample = quoted(survey.unmapped[0])
    return (
        f"Filter{'s' if several else ''} {names} of unknown colour: write under "
        "`overrides: mapping:` which channel is red, green and blue, such as "
        f"`red: {{{sample}: 1}}`"
    )


def why_calibrated(survey: Survey) -> str:
    """Return the reason why lights are treated as calibrated."""
    units = sorted({frame.unit for frame in survey.of_role("light")} - {""})
    unit = f" in {' and '.join(units)}" if units else ""
    return (
        f"The lights{unit} look calibrated already and there are no calibration frames: they are "
        "used unchanged (`calibrated: true`)."
    )


def _head(survey: Survey, name: str, projects_dir: Path) -> list[str]:
    beside = projects_dir.parent / "schema" / "project.json"
    schema = "../schema/project.json" if beside.exists() else str(SHIPPED / "schema/project.json")
    return [
        f"# yaml-language-server: $schema={schema}",
        f"# Drafted from {len(survey.frames)} files. Every key is explained in config/README.md.",
        f"title: {quoted(survey.target or name)}",
    ]


def _raw(survey: Survey, projects_dir: Path) -> list[str]:
    lines = ["# Folders of raw frames; they are read and never written to.", "raw:"]
    for folder in survey.folders:
        lines.append(f"  - {quoted(_from(folder, projects_dir))}")
    return lines


def _from(folder: Path, projects_dir: Path) -> str:
    """Return a path relative to the project's file if in or beside the checkout, else absolute."""
    checkout = projects_dir.parent.parent
    near = checkout.parent if checkout.parent != checkout.parent.parent else checkout
    path = os.path.relpath(folder, projects_dir) if near in folder.parents else str(folder)
    try:
        path.encode("utf-8")
    except UnicodeEncodeError:
        msg = f"{ascii(path)}: the name is not UTF-8, so no project file can hold it; rename it"
        raise UserError(msg) from None
    return path


def _selection(survey: Survey) -> list[str]:
    if not survey.selection:
        return []
    lines = ["# The raw folders hold lights of other targets too. Those of this one:", "lights:"]
    for key, value in survey.selection.items():
        text = f"[{', '.join(map(quoted, value))}]" if isinstance(value, list) else str(value)
        lines.append(f"  {key}: {text}")
    return lines


def _exclude(survey: Survey) -> list[str]:
    if not survey.exclude:
        return []
    lines = ["# These lights are left out; delete a line to use its lights.", "exclude:"]
    for pattern, why in survey.exclude.items():
        lines.append(f"  - {json.dumps(pattern, ensure_ascii=not pattern.isprintable())}  # {why}")
    return lines


def _way(survey: Survey) -> list[list[str]]:
    recipe, rows = recipe_for(list(survey.channels))
    blocks = [[f"recipe: {recipe}"]]
    if rows:
        blocks[0].append("# Its mapping does not know these channels: see 'overrides' below.")
    if survey.unmapped:
        blocks[0] += _comment(question_of_colours(survey))
    if survey.calibrated:
        blocks.append([*_comment(why_calibrated(survey)), "calibrated: true"])
    return blocks


def _channels(survey: Survey) -> list[str]:
    lines = ["channels:"]
    for name, filters in survey.channels.items():
        lines += _channel(name, filters)
        lines += [f"    {kind}: none" for kind in survey.calibration.without.get(name, ())]
        lights = survey.of_role("light", name)
        total = sum(frame.exposure_s for frame in lights)
        lines.append(f"    # Lights: {len(lights)}, together {duration(total)}.")
        for night, frames in nights(lights).items():
            lines.append(f"    #   {night}: {exposures(frames)}")
        if not survey.calibrated:
            flats = nights(survey.of_role("flat", name))
            found = ", ".join(f"{len(frames)} ({night})" for night, frames in flats.items())
            lines.append(f"    # Flats: {found or 'none'}.")
    for name, filters in _channels_in_names(survey).items():
        lines += [f"  # {line.removeprefix('  ')}" for line in _channel(name, filters)]
    return lines


def _channel(name: str, filters: Sequence[str]) -> list[str]:
    lines = [f"  {quoted(name)}:", f"    filters: [{', '.join(map(quoted, filters))}]"]
    wavelength = wavelength_nm(filters[0])
    if wavelength is not None:
        lines.append(f"    wavelength_nm: {wavelength:g}")
    return lines


def _channels_in_names(survey: Survey) -> dict[str, tuple[str, ...]]:
    """Return the channels known only from file names."""
    given = [value for filters in survey.channels.values() for value in filters]
    every = name_channels([*given, *survey.renamed.values()])
    return {name: filters for name, filters in every.items() if not set(filters) & set(given)}


def _fixes(survey: Survey) -> list[str]:
    lines = []
    if survey.untyped:
        lines += [
            "# No header says what its frame is (IMAGETYP); all are taken for lights.",
            "header_fixes:",
            '  "*": {IMAGETYP: light}',
        ]
    if survey.renamed:
        added = ", ".join(_channels_in_names(survey))
        lines += _comment(
            "The file names of some lights name another filter than FILTER in their headers. If "
            "the file names are right, remove the '# ' from the following lines"
            + (f", and from the channels {added} above." if added else ".")
        )
        lines += [] if survey.untyped else ["# header_fixes:"]
        lines += [
            f"#   {quoted(_as_pattern(name))}: {{FILTER: {quoted(value)}}}"
            for name, value in survey.renamed.items()
        ]
    return lines


def _as_pattern(name: str) -> str:
    return re.sub(r"([*?\[])", r"[\1]", name)


def _overrides(survey: Survey) -> list[str]:
    lines = []
    if survey.calibration.settings:
        lines.append("  calibration:")
        for key, value in survey.calibration.settings.items():
            lines.append(f"    {key}: {str(value).lower()}")
    if survey.wants_min_subs:
        lines += [
            "  # A channel of one or two frames is made even if one cannot be used.",
            "  integration: {min_subs: 1}",
        ]
    offered = _offered_mapping(survey)
    if lines or not all(line.startswith("#") for line in offered):
        return ["overrides:", *lines, *offered]
    return ["# overrides:", *offered] if offered else []


def _offered_mapping(survey: Survey) -> list[str]:
    """Return the mapping of channels, as a comment if they are known only from file names."""
    recipe, rows = recipe_for(list(survey.channels))
    if rows:
        unused = [name for name in survey.channels if name not in rows.values()]
        left = f" In no row: {', '.join(unused)}." if recipe == "single-channel" and unused else ""
        text = (
            "A suggestion: which channels make red, green, blue and the brightness, each with its "
            f"weight.{left}"
        )
        return [*(f"  {line}" for line in _comment(text)), *_mapping(rows)]
    added = _channels_in_names(survey)
    rows = colour_rows([*survey.channels, *added]) if added else {}
    return [f"# {line}" for line in _mapping(rows)] if rows else []


def _mapping(rows: dict[str, str | None]) -> list[str]:
    lines = ["  mapping:"]
    for row, channel in rows.items():
        lines.append(f"    {row}: {'null' if channel is None else f'{{{quoted(channel)}: 1}}'}")
    return lines


def _found(survey: Survey) -> list[str]:
    lines = []
    if not survey.calibrated:
        lines.append("# Calibration frames:")
        for kind in CALIBRATION_KINDS:
            lines += [f"#   {kind}: {found}" for found in calibration_counts(survey, kind)]
    for note in survey.notes:
        lines += _comment(f"Note: {note}")
    left_out = survey.left_out
    if left_out:
        lines.append(f"# Left out, {len(left_out)} of {len(survey.frames)}:")
        lines += [f"#   {frame.name}: {frame.reason}" for frame in left_out[:_MOST_LISTED]]
        if len(left_out) > _MOST_LISTED:
            lines.append(f"#   and {len(left_out) - _MOST_LISTED} more")
    return lines


def calibration_counts(survey: Survey, kind: str) -> list[str]:
    """Describe calibration frames of a kind by number, exposure and temperature.

    Flats are counted by night instead, since their exposures follow the light.
    """
    if kind == "flat":
        groups = Counter(f"of {f.channel}, {f.night}" for f in survey.of_role(kind))
        return [f"{count} {what}" for what, count in sorted(groups.items())] or ["none"]
    counts = Counter(
        (round(f.exposure_s, 3), None if f.temperature_c is None else round(f.temperature_c))
        for f in survey.of_role(kind)
    )
    ordered = sorted(counts.items(), key=lambda item: (item[0][0], item[0][1] or 0))
    return [
        f"{count} x {exposure:g} s" + ("" if degrees is None else f" at {degrees} degrees C")
        for (exposure, degrees), count in ordered
    ] or ["none"]


def _comment(text: str) -> list[str]:
    return [f"# {line}" for line in textwrap.wrap(text, 90, break_long_words=False)]
