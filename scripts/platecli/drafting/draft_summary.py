"""The console lines of the verb `new` about a draft."""

from collections.abc import Sequence
from pathlib import Path

from platecli.drafting.calibrated_lights import CALIBRATION_KINDS
from platecli.drafting.calibration_advice import wanted_frames
from platecli.drafting.draft import calibration_counts, duration, nights, question_of_colours
from platecli.drafting.survey import Survey
from platecli.text.outlook import first_of
from platefiles.config.yaml_file import shown

_MOST_PATTERNS = 3


def summary(survey: Survey, path: Path) -> list[str]:
    """Describe the findings and the next step in a few lines."""
    return [*found_lines(survey, path), *next_lines([path])]


def found_lines(survey: Survey, path: Path) -> list[str]:
    """Describe a draft and its questions in a few lines.

    Parameters
    ----------
    survey : Survey
    path : Path
        The project file.
    """
    lines = [f"Drafted {shown(path)} from {len(survey.frames)} files."]
    if survey.selection:
        lines.append(f"  target: {survey.target or 'no OBJECT'} (`lights` in the file)")
    if survey.names:
        lines.append(f"  treated as one target: OBJECT = {first_of([*map(repr, survey.names)])}")
    for name, filters in survey.channels.items():
        lights = survey.of_role("light", name)
        total = duration(sum(frame.exposure_s for frame in lights))
        count = len(nights(lights))
        lines.append(
            f"  {name} ({', '.join(filters)}): {len(lights)} lights, {total}, "
            f"{count} night{'s' if count != 1 else ''}"
        )
    if survey.calibrated:
        few = " and `min_subs: 1`" if survey.wants_min_subs else ""
        lines.append(f"  The lights look calibrated already: the file has `calibrated: true`{few}.")
    else:
        lines += [_calibration_line(survey, kind) for kind in CALIBRATION_KINDS]
    for sentence in survey.calibration.sentences:
        lines.append(f"  calibration: {sentence}")
    lines += _exclude_lines(survey)
    left_out = survey.left_out
    if left_out:
        first = f"{left_out[0].name}: {left_out[0].reason}"
        lines.append(f"  left out: {len(left_out)}, with reasons in the file; first {first}")
    if survey.unmapped:
        lines.append(f"  colours: {question_of_colours(survey)} in {shown(path)}.")
    if survey.renamed:
        count = len(survey.renamed)
        told = ", ".join(sorted(set(survey.renamed.values())))
        lines.append(
            f"  filters: the file name{'s' * (count > 1)} of {count} file{'s' * (count > 1)} "
            f"name{'s' * (count == 1)} another filter ({told}) than FILTER in the header, which is "
            f"used. If the file names are right, remove the '# ' from these lines in "
            f"{shown(path)}: channels, header_fixes, overrides."
        )
    return lines


def next_lines(paths: Sequence[Path]) -> list[str]:
    """Return the lines on the next command."""
    them = "it" if len(paths) == 1 else "them"
    names = " ".join(path.stem for path in paths)
    return [f"Check {them}, then run:", f"  python3 scripts/platelog.py run {names}"]


def _calibration_line(survey: Survey, kind: str) -> str:
    found = calibration_counts(survey, kind)
    if found != ["none"]:
        return f"  {kind}: {'; '.join(found)}"
    wanted = wanted_frames(kind, survey.of_role("light"))
    return f"  {kind}: none; take {wanted}, five or more of each"


def _exclude_lines(survey: Survey) -> list[str]:
    """Return a line for each reason for which lights are left out."""
    patterns: dict[str, list[str]] = {}
    for pattern, why in survey.exclude.items():
        patterns.setdefault(why, []).append(pattern)
    lines = [
        f"  excluded: {first_of(found, _MOST_PATTERNS)} ({why})" for why, found in patterns.items()
    ]
    return [*lines, "    (delete lines of `exclude` in the file to use them)"] if lines else []
