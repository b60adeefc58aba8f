"""The verb `check`: list new subs, and the jobs of the next run with reasons; write nothing."""

import argparse
import contextlib
import sys
from collections.abc import Iterable, Sequence
from datetime import date

from platecli.arguments.naming import PROJECTS
from platecli.arguments.stage import check_files
from platecli.drafting.doubts import doubt_lines
from platecli.text import outcome
from platecli.text.outlook import Outlook, counted_jobs, first_of, look_ahead
from platecli.text.screen import show
from platecli.text.summary import hours_minutes
from platecli.verbs.run import add_projects, checked_directory, checked_words
from platefiles.calibration.note_sentences import sentence
from platefiles.frames.frame import Frame
from platefiles.frames.left_out import ON_PURPOSE, LeftOut
from platefiles.raw_folders.known_frames import present_name
from platefiles.workflow.open_project import named, open_projects
from platelib.registration.sub_state import SubState

_UNKNOWN = "unknown exposure"
OLD_DAYS = {"bias": 365, "dark": 365, "flat": 30}
"""Calibration frames further than this from the lights they serve are called old (common practice,
no source: sensors age over a year, dust moves within weeks)."""

SHOWN = 6


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments of `check`."""
    add_projects(parser)


def run(args: argparse.Namespace) -> int:
    """Compare the projects with their results and print their state."""
    directory = checked_directory(args)
    words = checked_words(args.project, directory)
    plans, problems = open_projects(words, PROJECTS, True, True, directory)
    check_files(args.to, plans.values())
    with contextlib.chdir(directory):
        for plan in plans.values():
            show(text(look_ahead(plan, *args.to)))
    for name, problem in problems.items():
        alone = len(plans) + len(problems) == 1
        print(named(problem, name, alone), file=sys.stderr)
    return outcome.FAILED if problems else 0


def text(ahead: Outlook) -> list[str]:
    """Return the lines about a project."""
    loaded = ahead.plan.loaded
    return [
        f"{loaded.name}: {loaded.project.title}",
        *_new_lines(ahead),
        *_moved_lines(ahead),
        *doubt_lines(ahead),
        *_job_lines(ahead),
        *_left_out_lines(ahead),
        *_calibration_lines(ahead),
        *_star_lines(ahead),
        *_total_lines(ahead),
    ]


def _new_lines(ahead: Outlook) -> Iterable[str]:
    groups = [
        f"{channel} {night}: {_subs(frames)}"
        for channel, nights in ahead.new_by_night.items()
        for night, frames in nights.items()
    ]
    if groups:
        yield f"  new: {first_of(groups)}"
    if ahead.gone:
        yield f"  gone: {first_of([row['name'] for row in ahead.gone])}"
    excluded = [row for row, frame in ahead.dropped if frame.why in ON_PURPOSE]
    if excluded:
        count = f"{len(excluded)} sub{'' if len(excluded) == 1 else 's'}"
        names = first_of([row["name"] for row in excluded])
        yield f"  excluded since the last run: {count}: {names}"
    others = [(row, frame) for row, frame in ahead.dropped if row not in excluded]
    for row, frame in others[:SHOWN]:
        yield f"  no longer used: {row['name']}: {frame.reason}"
    if others[SHOWN:]:
        yield f"  no longer used: {len(others) - SHOWN} others"
    if not groups and not ahead.gone and not ahead.dropped:
        yield "  no new subs"


def _moved_lines(ahead: Outlook) -> Iterable[str]:
    """Return lines on files whose path in the raw folder differs from their name."""
    folders = ahead.plan.loaded.raw_folders
    pairs = [
        (frame.name, now)
        for frame in ahead.plan.frames
        if frame.role != "unused" and (now := present_name(frame, folders)) != frame.name
    ]
    if pairs:
        name, now = min(pairs)
        many = f"{len(pairs)} file{'' if len(pairs) == 1 else 's'}"
        yield f"  moved: {many}, recognised by content: {name} is now {now}"


def _subs(frames: Sequence[Frame]) -> str:
    seconds = sum(frame.exposure_s for frame in frames)
    total = hours_minutes(seconds) if seconds else _UNKNOWN
    return f"{len(frames)} sub{'' if len(frames) == 1 else 's'} ({total})"


def _job_lines(ahead: Outlook) -> Iterable[str]:
    count = len(ahead.to_make)
    if not count:
        yield "  nothing to do"
        return
    yield f"  to do: {count} job{'' if count == 1 else 's'}: {counted_jobs(ahead.to_make)}"
    for why, names in ahead.reasons().items():
        yield f"    {why}: {first_of(names, 3)}"
    if any(product.waits and product.rule == "register" for product in ahead.to_make):
        again = ", and its dependent products are made again" if ahead.subs else ""
        yield f"    the grid is chosen in this run{again}"


def _left_out_lines(ahead: Outlook) -> Iterable[str]:
    """List the subs left out of the last run, and unused files."""
    rows = [row for row in ahead.subs if row["channel"] and row["state"] != SubState.USED]
    if rows:
        states = _counted(row["state"] for row in rows)
        total = sum(1 for row in ahead.subs if row["channel"])
        yield f"  left out of the last run: {len(rows)} of {total} subs ({states})"
        for row in rows[:SHOWN]:
            yield f"    {row['name']}: {row['reason'] or row['state']}"
        if rows[SHOWN:]:
            yield f"    and {len(rows) - SHOWN} more, all listed in {ahead.plan.paths.subs}"
    unused = [frame for frame in ahead.plan.frames if frame.role == "unused"]
    if unused:
        yield f"  unused: {len(unused)} file{'' if len(unused) == 1 else 's'}"
        groups: dict[LeftOut | None, list[Frame]] = {}
        for frame in unused:
            groups.setdefault(frame.left_out, []).append(frame)
        for frames in list(groups.values())[:SHOWN]:
            first, many = frames[0], f"{len(frames)} file{'' if len(frames) == 1 else 's'}"
            names = first_of([frame.name for frame in frames], 2)
            who = f"{many}" if first.why in ON_PURPOSE else f"{names}:"
            yield f"    {who} {first.reason}"


def _counted(words: Iterable[str]) -> str:
    counts: dict[str, int] = {}
    for word in words:
        counts[word] = counts.get(word, 0) + 1
    return ", ".join(f"{n} {word}" for word, n in sorted(counts.items(), key=lambda x: -x[1]))


def _calibration_lines(ahead: Outlook) -> Iterable[str]:
    """List missing or old calibration frames."""
    for note in ahead.plan.matched.notes:
        yield f"  calibration: {sentence(note)}"
    for name, days in _ages(ahead).items():
        kind = ahead.plan.masters[name].kind
        if days > OLD_DAYS[kind]:
            yield f"  calibration: {name} is old: {days} days from the lights that it serves"


def _ages(ahead: Outlook) -> dict[str, int]:
    """Most days between the frames of each master and a light that it serves."""
    plan, ages = ahead.plan, {}
    nights = {
        name: {plan.by_id[frame_id].night for frame_id in group.frame_ids}
        for name, group in plan.masters.items()
    }
    pairs: dict[str, set[str]] = {}
    for sub_id, taken in plan.matched.lights.items():
        for name in filter(None, (taken.bias, taken.dark, taken.flat)):
            pairs.setdefault(name, set()).add(plan.by_id[sub_id].night)
    for name, served in sorted(pairs.items()):
        gaps = [
            min(
                (days for made in nights[name] if (days := _days(made, night)) is not None),
                default=0,
            )
            for night in served
        ]
        ages[name] = max(gaps, default=0)
    return ages


def _days(one: str, other: str) -> int | None:
    try:
        return abs((date.fromisoformat(one) - date.fromisoformat(other)).days)
    except ValueError:
        return None


def _star_lines(ahead: Outlook) -> Iterable[str]:
    """Say that the next run asks an archive for stars."""
    loaded = ahead.plan.loaded
    path = loaded.fetched_star_path()
    if path is not None and not path.exists():
        published = loaded.project.sky.published
        name = published.title if published else "the cone search"
        yield f"  stars of {name}: fetched by the next run, or by `platelog.py stars {loaded.name}`"


def _total_lines(ahead: Outlook) -> Iterable[str]:
    parts = []
    for channel in ahead.plan.channels:
        if not any(frame.exposure_s for frame in ahead.plan.lights(channel)):
            parts.append(f"{channel} {_UNKNOWN}")
            continue
        now, then = ahead.seconds(channel)
        change = f" -> {hours_minutes(then)}" if round(then) != round(now) else ""
        parts.append(f"{channel} {hours_minutes(now)}{change}")
    condition = ", if every new sub can be used" if any(" -> " in part for part in parts) else ""
    yield f"  totals: {', '.join(parts)}{condition}"
