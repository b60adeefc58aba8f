"""Open projects: settings, scan, list of frames, links, calibration frames and lock file."""

from collections.abc import Mapping, Sequence
from contextlib import chdir
from pathlib import Path

from platefiles.calibration.matching import match_calibration
from platefiles.config.cross_checks import check_against_sheet
from platefiles.config.load import ConfigError, find_projects, load_project
from platefiles.config.lock_file import read_lock, size_problem
from platefiles.config.project import LoadedProject
from platefiles.core.atomic_write import remove_abandoned
from platefiles.core.errors import UserError
from platefiles.frames.frame import Frame, read_frame_list, write_frame_list
from platefiles.jobs.orphans import refuse_orphans
from platefiles.jobs.run_lock import RESULTS
from platefiles.plan.paths import grid_log
from platefiles.plan.project_plan import ProjectPlan
from platefiles.provenance.job_notes import read_note
from platefiles.raw_folders.folder_walk import SeenFiles
from platefiles.raw_folders.frame_list import build_frame_list
from platefiles.raw_folders.known_frames import read_known
from platefiles.raw_folders.scan import SETTLE_S, RawFile, scan_folders
from platefiles.raw_frames.fingerprint import SCAN_CACHE
from platefiles.transfers.links import make_links
from platefiles.transfers.pointers import write_pointers
from platefiles.workflow.reference_notes import drop_provisional_grid

OPENED: dict[str, ProjectPlan] = {}
"""Plans by the word that names their project, for a run of Snakemake in a fork of this process.

The fork need not look through the raw folders and match the frames again.
"""


def open_projects(
    wanted: Sequence[str],
    folder: Path,
    main_process: bool,
    dry_run: bool,
    directory: Path | None = None,
) -> tuple[dict[str, ProjectPlan], dict[str, str]]:
    """Open projects independently of each other.

    Parameters
    ----------
    wanted : sequence of str
        Names or paths; if empty, all projects of the folder that run by default.
    folder : Path
        Folder in which names are searched.
    main_process, dry_run : bool
        As for `platefiles.rule_inputs.open_plans.open_plans`.
    directory : Path, optional
        Folder that contains the results; by default the present one.

    Returns
    -------
    plans : dict of str to ProjectPlan
        By the name of the project.
    problems : dict of str to str
        Problems of the other projects, by name.
    """
    plans: dict[str, ProjectPlan] = {}
    problems: dict[str, str] = {}
    seen = SeenFiles()
    for word in list(dict.fromkeys(wanted)) or find_projects(folder):
        name = Path(word).name.removesuffix(".yaml")
        try:
            loaded = load_project(word, folder)
            if loaded.project.only_if_named and not wanted:
                continue
            _check_name(loaded, plans)
            with chdir(directory or "."):
                plans[loaded.name] = _open_plan(loaded, main_process, dry_run, seen)
        except UserError as error:
            problems[name] = str(error)
        except OSError as error:
            where = f"{error.filename}: " if error.filename else ""
            problems[name] = f"{where}{error.strerror or error}; correct it and run again"
    return plans, problems


def named(problem: str, project: str, alone: bool) -> str:
    """Return the problems of a project, each line with the project's name.

    Parameters
    ----------
    problem : str
        Lines; lines with the project's file are unchanged.
    project : str
        Name of the project.
    alone : bool
        Whether it is the only project, so that its name is omitted.
    """
    if alone:
        return problem
    told = (f"{project}.yaml", f"{project}: ")
    lines = problem.splitlines()
    return "\n".join(
        line if any(word in line for word in told) else f"{project}: {line}" for line in lines
    )


def _check_name(loaded: LoadedProject, others: Mapping[str, ProjectPlan]) -> None:
    if loaded.name in others:
        msg = f"Two of the project files are called {loaded.name}; rename one of them."
        raise UserError(msg)
    if "," in str(loaded.path) or '"' in str(loaded.path):
        msg = f"{loaded.path}: rename it so that it has no comma or double quote."
        raise UserError(msg)


def _open_plan(
    loaded: LoadedProject, main_process: bool, dry_run: bool, seen: SeenFiles
) -> ProjectPlan:
    results = f"{RESULTS}/{loaded.name}"
    sheet = Path(results) / "frames.tsv"
    raw: list[RawFile] = []
    if main_process:
        cache = Path(results) / SCAN_CACHE
        raw = scan_folders(loaded.raw_folders, cache, not dry_run, SETTLE_S, seen)
        frames = build_frame_list(raw, loaded, read_known(sheet))
        problems = check_against_sheet(loaded, frames)
        if problems:
            raise ConfigError(problems)
        if not dry_run:
            _fetch_stars(loaded, raw, frames)
    else:
        frames = read_frame_list(sheet)
    matched = match_calibration(frames, loaded)
    plan = ProjectPlan(loaded, tuple(frames), matched, results, tuple(raw))
    if main_process and not dry_run:
        refuse_orphans(RESULTS)
        drop_provisional_grid(plan)
    _check_lock(plan)
    if main_process and not dry_run:
        remove_abandoned(results)
        remove_abandoned(loaded.lock_path.parent, loaded.lock_path.name)
        if (stars := loaded.fetched_star_path()) is not None:
            remove_abandoned(stars.parent, stars.name)
        write_frame_list(frames, sheet)
        write_pointers(frames, results)
        make_links(frames, Path(results) / "links")
    return plan


def _fetch_stars(loaded: LoadedProject, raw: list[RawFile], frames: Sequence[Frame]) -> None:
    """Fetch the project's star catalogue if it is missing."""
    if loaded.fetched_star_path() is None:
        return
    from platefiles.astrometry.cone_search import fetch_stars  # which most projects have no need of

    fetch_stars(loaded, raw, frames)


def _check_lock(plan: ProjectPlan) -> None:
    path = plan.loaded.lock_path
    _check_lock_is_whole(plan)
    lock = read_lock(path)
    if lock is None:
        return
    pinned = {"grid": lock.reference}
    pinned |= {
        f"brightness of channel '{channel}'": sub
        for channel, sub in lock.photometry.items()
        if channel in plan.channels
    }
    for what, sub in pinned.items():
        if sub not in plan.by_id or plan.by_id[sub].role != "light":
            frame = plan.by_id.get(sub)
            now = "not among the lights any more" if frame is None else frame.reason
            remedy = "restore it" if frame is None else "let the project use it again"
            msg = (
                f"{path}: the sub '{sub}' that the {what} is pinned to is {now}; "
                f"{remedy}, or delete {path.name} to choose again"
            )
            raise UserError(msg)
    reference = plan.by_id[lock.reference]
    other_size = size_problem(path, lock, reference.width_px, reference.height_px)
    if other_size:
        raise UserError(other_size)
    wanted = plan.loaded.project.reference
    now = f"/{reference.path}"  # which may lie elsewhere than its name says
    is_pinned = wanted in (None, lock.reference, lock.name, Path(lock.name).name)
    if wanted and not is_pinned and not now.endswith(f"/{wanted}"):
        msg = (
            f"{plan.loaded.path}: reference: {wanted}: the grid is pinned to {lock.name} already; "
            f"delete {path.name} to choose again"
        )
        raise UserError(msg)


def _check_lock_is_whole(plan: ProjectPlan) -> None:
    """Refuse a truncated lock file: the lost pins could be chosen differently."""
    path, note = plan.loaded.lock_path, read_note(grid_log(plan.paths))
    lock = read_lock(path)
    if lock is not None and lock.crop is None:  # taken out, since the references follow it
        return
    size = path.stat().st_size if path.is_file() else None
    if note is not None and size is not None and size < note.size_bytes:
        msg = (
            f"{path}: has {size} of the {note.size_bytes} bytes that it was written with; restore "
            "a copy of it, or delete it to choose the grid and the references again"
        )
        raise UserError(msg)
