"""Doubtful new lights for `check`: focus and test exposures, and other targets."""

from collections.abc import Iterable, Iterator, Sequence

from platecli.drafting.found_lights import Light
from platecli.drafting.targets import Target, group_lights
from platecli.drafting.trial_exposures import named_trials, odd_trials, patterns_for
from platecli.text.outlook import Outlook, first_of
from platefiles.core.object_store import is_object_url
from platefiles.frames.fixed_header import fixes_for
from platefiles.plan.project_plan import ProjectPlan
from platefiles.raw_folders.scan import RawFile

_SHOWN = 3


def doubt_lines(ahead: Outlook) -> list[str]:
    """Return reasons to doubt that new lights belong to one target.

    Lights used by an earlier run are not questioned again. Raw frames in object storage are
    ignored.

    Parameters
    ----------
    ahead : Outlook
        The working directory must be the folder of its results.
    """
    new = {frame.path for frame in ahead.new}
    if not new or ahead.plan.loaded.project.calibrated:
        return []
    files = [file for file in ahead.plan.raw_files if not is_object_url(file.path)]
    every = list(_lights(ahead.plan, files))
    trials = named_trials(every)
    named = {light for trial in trials for light in trial.lights}
    taken = {frame.path for frame in ahead.plan.frames if frame.role == "light"}
    rest = [light for light in every if light.file.path in taken and light not in named]
    trials += odd_trials(rest)
    doubtful = {light for trial in trials for light in trial.lights}
    lines = []
    for trial in trials:
        fresh = [light for light in trial.lights if light.file.path in new]
        patterns = patterns_for(fresh, files, doubtful)
        if fresh and patterns:
            lines.append(
                f"  focus or test? {first_of([*patterns], _SHOWN)} ({trial.why}): if so, add "
                "them to `exclude`"
            )
    return [*lines, *_target_lines([light for light in rest if light not in doubtful], new)]


def _target_lines(lights: Sequence[Light], new: set[str]) -> Iterator[str]:
    if not lights:
        return
    grouping = group_lights(lights)
    targets = [*grouping.targets, *grouping.few]
    if len(targets) > 1 and any(light.file.path in new for light in lights):
        kind = "pointings" if grouping.several_pointings else "targets"
        names = first_of([_counted(target) for target in targets])
        yield f"  {len(targets)} {kind}: {names}; `lights` selects those of the project"


def _counted(target: Target) -> str:
    return f"{target.numbered_title or 'no OBJECT'} ({len(target.lights)})"


def _lights(plan: ProjectPlan, files: Iterable[RawFile]) -> Iterator[Light]:
    """Yield all lights of the raw folders, including those of other projects."""
    fixes = plan.loaded.project.header_fixes
    for file in files:
        facts = file.facts(fixes_for((file.inside, file.name), fixes))
        if facts.role == "light" and not file.reason:
            yield Light(file, facts)
