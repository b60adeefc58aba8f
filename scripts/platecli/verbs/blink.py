"""The verb `blink`: show the subs of a channel one after the other, whole or as a cut-out."""

import argparse
import contextlib
import json
import os
from pathlib import Path

from platecli.arguments.naming import PROJECTS, WrongCommand, add_directory, project_word
from platecli.arguments.place import Place, parse_place, parse_size
from platecli.text.screen import show
from platecli.verbs.replay import empty_folder
from platefiles.core.errors import UserError
from platefiles.plan.project_plan import ProjectPlan
from platefiles.workflow.open_project import open_projects
from platelog import nearest

_MOST_BYTES = 1 << 30
_CUT_OUT = "400"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments of `blink`."""
    parser.add_argument(
        "project",
        help="a name in config/projects, or the path of a project file or of its results",
    )
    parser.add_argument("--channel", help="channel (default: the one with most subs)")
    parser.add_argument(
        "--at",
        metavar="PLACE",
        help="cut-out at full scale around RA,DEC (10:34:20,+30:05:10 or 158.583d,30.086d) or X,Y "
        "(pixels of the grid, counted from 1); without it, the whole field, reduced",
    )
    parser.add_argument(
        "--size", metavar="PX", help=f"size of the cut-out, 400 or 600x400 (default: {_CUT_OUT})"
    )
    parser.add_argument(
        "--bin",
        type=float,
        metavar="MINUTES",
        help="combine the subs of this many minutes to a frame, 0 for none (default: as needed for "
        "at most 60 frames)",
    )
    parser.add_argument(
        "--into",
        type=Path,
        metavar="DIR",
        help="a new or empty folder (default: blink-PROJECT-CHANNEL in this one)",
    )
    add_directory(parser)
    parser.epilog = (
        "Writes blink.webp and blink.png, and in frames/ each frame with frames.json, the table of "
        "their times. Each sub is taken from its raw file through the registration of the last "
        "run; nothing is rejected."
    )


def run(args: argparse.Namespace) -> int:
    """Write the frames of a channel."""
    place = None if args.at is None else parse_place(args.at)
    if place is None and args.size is not None:
        msg = "--size is the size of a cut-out; say with --at where it lies"
        raise WrongCommand(msg)
    size = parse_size(args.size or _CUT_OUT)
    if args.bin is not None and not 0 <= args.bin < 1e6:
        msg = f"--bin {args.bin}: write minutes, 0 or more"
        raise WrongCommand(msg)
    word = project_word(args.project, args.directory)
    directory = args.directory.absolute()
    plans, problems = open_projects([word], PROJECTS, True, True, directory)
    if problems:
        raise UserError("\n".join(problems.values()))
    (plan,) = plans.values()
    channel = _channel(plan, args.channel)
    folder = empty_folder(args.into or Path(f"blink-{plan.loaded.name}-{channel}"))
    length_s = None if args.bin is None else 60 * args.bin
    with contextlib.chdir(directory):
        show(_write(plan, channel, place, size, length_s, folder))
    return 0


def _channel(plan: ProjectPlan, wanted: str | None) -> str:
    if not plan.channels:
        msg = f"{plan.loaded.name}: has no lights"
        raise UserError(msg)
    if wanted is None:
        return max(plan.channels, key=lambda name: len(plan.lights(name)))
    if wanted not in plan.channels:
        hint = nearest(wanted, list(plan.channels))
        msg = f"--channel {wanted}: there is no such channel{hint}"
        raise WrongCommand(f"{msg} Channels: {', '.join(plan.channels)}.")
    return wanted


def _write(
    plan: ProjectPlan,
    channel: str,
    place: Place | None,
    size: tuple[int, int],
    length_s: float | None,
    folder: Path,
) -> list[str]:
    """Write the folder; return the lines that tell of it."""
    from platefiles.astrometry.solution import read_map  # libraries that take long to import
    from platefiles.blink.frame_drawing import FrameDrawing
    from platefiles.blink.frame_folder import write_folder
    from platefiles.blink.frames_product import drawn
    from platefiles.blink.present_sources import present_sources
    from platefiles.blink.resampled_frames import (
        BlinkJob,
        resampled_frames,
        said_of,
        subs_of_frames,
    )
    from platefiles.picture.picture_files import Label
    from platefiles.plan.blink_jobs import draw_blink_job
    from platefiles.provenance.header_provenance import creator
    from platelib.blink.grid_part import cut_out, whole_grid

    job = BlinkJob.of(json.loads(draw_blink_job(plan, channel)))
    sources, given = present_sources(plan, channel, job)
    sky_map = read_map(plan.paths.solution) if os.path.isfile(plan.paths.solution) else None
    if place is None:
        part = whole_grid(sources.grid)
    else:
        x, y = place.x - 1, place.y - 1
        if place.is_sky:
            if sky_map is None:
                msg = f"{plan.loaded.name}: the field has no place on the sky; give --at X,Y"
                raise UserError(msg)
            x, y = (float(value) for value in sky_map.pixels(place.x, place.y))
        try:
            part = cut_out(sources.grid, x, y, size)
        except ValueError as error:
            msg = f"--at: {error}"
            raise UserError(msg) from error
    _check_memory(part.shape, len(subs_of_frames(sources.registered, length_s)))
    frames = resampled_frames(sources, given, part, length_s)
    title = f"{plan.loaded.project.title}, {channel}"
    try:
        shown = drawn(frames, sources.registered, sky_map)
    except ValueError as error:
        msg = f"channel '{channel}': {error}"
        raise UserError(msg) from error
    label = Label(title, "", shown.method, creator())
    paths = write_folder(folder, FrameDrawing(shown, title), label)
    lines = [f"{channel}: {line}" for line in said_of(frames, sources.registered)]
    return [*lines, *(f"  {path}" for path in paths), f"  {folder / 'frames'}"]


def _check_memory(shape: tuple[int, int], frames: int) -> None:
    needed = 4 * shape[0] * shape[1] * frames
    if needed > _MOST_BYTES:
        msg = (
            f"{frames} frames of {shape[1]} x {shape[0]} px take {needed / 1e9:.1f} GB of memory; "
            "choose a smaller --size, or combine subs with --bin"
        )
        raise UserError(msg)
