"""Between Snakemake and the plans of the projects: scan, sheet, links, functions of wildcards."""

import os
import re
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

from platefiles.bands import memory_mb
from platefiles.config import ConfigError, check_against_sheet, find_projects, load_project
from platefiles.errors import UserError
from platefiles.links import make_links
from platefiles.lockfile import read_lock
from platefiles.matching import match_calibration
from platefiles.orphans import refuse_orphans
from platefiles.plan import ProjectPlan
from platefiles.project import LoadedProject
from platefiles.scan import SETTLE_S, scan_folders
from platefiles.sheet import build_sheet, read_sheet, write_sheet
from platefiles.wholefile import remove_abandoned

RESULTS = "results"


class Plans:
    """The plans of all projects of a run; its methods are the input and params functions of rules.

    Parameters
    ----------
    plans : mapping of str to ProjectPlan
    dry_run : bool
        Nothing is written, so links of new frames are not there yet and are not asked for.

    Attributes
    ----------
    unpinned : list of str
        Projects whose grid, or the reference of one of whose channels, was yet to be chosen when
        the run began.
    """

    def __init__(self, plans: Mapping[str, ProjectPlan], dry_run: bool = False):
        self.by_name = dict(plans)
        self._dry_run = dry_run
        self.unpinned = [name for name, plan in self.by_name.items() if not _pinned(plan)]
        self._choice: Any = None

    def __iter__(self) -> Iterator[ProjectPlan]:
        """Go through the plans in the order of the projects."""
        return iter(self.by_name.values())

    def wait_for(self, checkpoint: Any) -> None:
        """Tell which checkpoint chooses the grids that are not pinned yet."""
        self._choice = checkpoint

    @property
    def unpinned_locks(self) -> str:
        """Regular expression of what the rule that chooses the grid may write, less its ending."""
        locks = [_lock_stem(self.by_name[name]) for name in self.unpinned]
        return "|".join(re.escape(lock) for lock in locks)

    def plan(self, wildcards) -> ProjectPlan:
        """Return the plan that a rule's wildcards name."""
        return self.by_name[wildcards.project]

    def _links(self, plan: ProjectPlan, frames) -> list[str]:
        paths = [plan.link(frame) for frame in frames]
        return [path for path in paths if os.path.lexists(path)] if self._dry_run else paths

    def master_frames(self, wildcards) -> list[str]:
        """Links of the frames of a master."""
        plan = self.plan(wildcards)
        group = plan.masters[wildcards.master]
        return self._links(plan, [plan.by_id[frame_id] for frame_id in group.frame_ids])

    def master_below(self, wildcards) -> list[str]:
        """Masters that a master needs first."""
        return self.plan(wildcards).masters_below(wildcards.master)

    def master_job(self, wildcards) -> str:
        """Job of a master."""
        return self.plan(wildcards).master_job(wildcards.master)

    def night_frames(self, wildcards) -> list[str]:
        """Links of the lights of a channel's night."""
        plan = self.plan(wildcards)
        return self._links(plan, plan.lights(wildcards.channel, wildcards.night))

    def night_masters(self, wildcards) -> list[str]:
        """Masters of the lights of a channel's night."""
        plan = self.plan(wildcards)
        return plan.masters_of(plan.lights(wildcards.channel, wildcards.night))

    def measure_job(self, wildcards) -> str:
        """Job of a channel's night."""
        return self.plan(wildcards).measure_job(wildcards.channel, wildcards.night)

    def channel_frames(self, wildcards) -> list[str]:
        """Links of the lights of a channel."""
        plan = self.plan(wildcards)
        return self._links(plan, plan.lights(wildcards.channel))

    def channel_masters(self, wildcards) -> list[str]:
        """Masters of the lights of a channel."""
        plan = self.plan(wildcards)
        return plan.masters_of(plan.lights(wildcards.channel))

    def channel_measures(self, wildcards) -> list[str]:
        """Measures of all nights of a channel."""
        plan = self.plan(wildcards)
        return [plan.measures_path(wildcards.channel, n) for n in plan.nights(wildcards.channel)]

    def reference_measures(self, wildcards) -> list[str]:
        """Measures that hold the reference sub, which may have to be chosen first."""
        plan = self.plan(wildcards)
        if wildcards.project in self.unpinned and self._choice is not None:
            self._choice.get(lock=_lock_stem(plan))  # Snakemake asks again when it is chosen
        lock = read_lock(plan.loaded.lock_path)
        frame = plan.by_id[lock.reference if lock else ""]
        return [plan.measures_path(frame.channel, frame.night)]

    def lock(self, wildcards) -> str:
        """File that pins the grid."""
        return f"{_lock_stem(self.plan(wildcards))}.lock.yaml"

    def _plan_of_lock(self, stem: str) -> ProjectPlan:
        return next(plan for plan in self if _lock_stem(plan) == stem)

    def lock_measures(self, wildcards) -> list[str]:
        """Measures from which the grid is chosen."""
        plan = self._plan_of_lock(wildcards.lock)
        return [plan.measures_path(c, night) for c in plan.channels for night in plan.nights(c)]

    def lock_job(self, wildcards) -> str:
        """Job of choosing the grid."""
        return self._plan_of_lock(wildcards.lock).grid_job()

    def register_job(self, wildcards) -> str:
        """Job of registering a channel."""
        return self.plan(wildcards).register_job(wildcards.channel)

    def integrate_job(self, wildcards) -> str:
        """Job of integrating a channel."""
        return self.plan(wildcards).integrate_job(wildcards.channel)

    def integrate_mem_mb(self, wildcards, threads: int) -> int:
        """Memory of integrating a channel, MB."""
        frames = self.plan(wildcards).lights(wildcards.channel)
        return memory_mb(len(frames), frames[0].width_px, frames[0].height_px, threads)

    def sub_frame(self, wildcards) -> list[str]:
        """Link of one light."""
        plan = self.plan(wildcards)
        return self._links(plan, [plan.by_id[wildcards.sub]])

    def sub_masters(self, wildcards) -> list[str]:
        """Masters of one light."""
        plan = self.plan(wildcards)
        return plan.masters_of([plan.by_id[wildcards.sub]])

    def calibrate_job(self, wildcards) -> str:
        """Job of one calibrated sub."""
        return self.plan(wildcards).calibrate_job(wildcards.sub)

    def register_sub_job(self, wildcards) -> str:
        """Job of one registered sub."""
        return self.plan(wildcards).register_sub_job(wildcards.channel, wildcards.sub)

    def registrations(self, wildcards) -> list[str]:
        """Registration tables of all channels."""
        plan = self.plan(wildcards)
        return [f"{plan.results}/registration/{channel}.fits" for channel in plan.channels]

    def integrations(self, wildcards) -> list[str]:
        """Integrated images of all channels."""
        plan = self.plan(wildcards)
        return [f"{plan.results}/channels/{channel}.fits" for channel in plan.channels]

    def mapped(self, wildcards) -> list[str]:
        """Integrated images of the channels that the picture is made of."""
        plan = self.plan(wildcards)
        return [f"{plan.results}/channels/{channel}.fits" for channel in plan.mapped_channels]

    def cube_job(self, wildcards) -> str:
        """Job of the linear cube."""
        return self.plan(wildcards).cube_job()

    def composite_job(self, wildcards) -> str:
        """Job of the pictures."""
        return self.plan(wildcards).composite_job()

    def subs_job(self, wildcards) -> str:
        """Job of the table of subs."""
        return self.plan(wildcards).subs_job()

    def channel_targets(self, wildcards=None) -> list[str]:
        """Integrated images and tables of subs of all projects."""
        paths = [f"{p.results}/channels/{c}.fits" for p in self for c in p.channels]
        return paths + [f"{p.results}/subs.tsv" for p in self] + self.kept_subs()

    def picture_targets(self, wildcards=None) -> list[str]:
        """Pictures of all projects, and the tables that say what they are made of."""
        return [path for p in self for path in [*p.picture_files, f"{p.results}/subs.tsv"]]

    def kept_subs(self) -> list[str]:
        """Calibrated and registered subs that projects want written."""
        return [
            f"{plan.results}/{kind}/{channel}/{frame.id}.fits"
            for plan in self
            for kind in plan.loaded.project.keep
            for channel in plan.channels
            for frame in plan.lights(channel)
        ]


def _lock_stem(plan: ProjectPlan) -> str:
    """Path of a lock file without its ending, relative to the working directory if inside it."""
    path = os.fspath(plan.loaded.lock_path).removesuffix(".lock.yaml")
    inside = os.path.relpath(path)
    return path if inside.startswith("..") else inside


def _pinned(plan: ProjectPlan) -> bool:
    lock = read_lock(plan.loaded.lock_path)
    return lock is not None and set(plan.channels) <= set(lock.photometry)


def open_plans(
    config: Mapping[str, Any], base: Path, main_process: bool, arguments: Sequence[str]
) -> Plans:
    """Load, scan and match the projects of a run.

    Parameters
    ----------
    config : mapping
        Snakemake's: ``projects`` is a list, or a text with commas, of names or paths of project
        files; without it all of ``config/projects`` are taken.
    base : Path
        Folder of the Snakefile.
    main_process : bool
        False in a job on another machine, which reads the frame sheet instead of scanning.
    arguments : sequence of str
        Snakemake's command line, to see whether this is a dry run.

    Raises
    ------
    UserError
        With every problem of every project.
    """
    folder = base / "config" / "projects"
    wanted = config.get("projects") or find_projects(folder)
    if isinstance(wanted, str):
        wanted = [name for name in wanted.split(",") if name]
    dry_run = is_dry_run(arguments)
    problems: list[str] = []
    plans: dict[str, ProjectPlan] = {}
    for name in wanted:
        try:
            loaded = load_project(name, folder)
            plans[loaded.name] = _open_plan(loaded, main_process, dry_run)
        except UserError as error:
            problems.append(str(error))
        except OSError as error:
            where = f"{error.filename}: " if error.filename else ""
            problems.append(f"{where}{error.strerror or error}; mend it and start the run again")
    if problems:
        raise UserError("\n".join(problems))
    return Plans(plans, dry_run)


def is_dry_run(arguments: Sequence[str]) -> bool:
    """Say whether Snakemake was asked to do nothing."""
    return any(re.fullmatch(r"--dry-?run|-[kpqrF]*n[kpqrF]*", word) for word in arguments)


def _open_plan(loaded: LoadedProject, main_process: bool, dry_run: bool) -> ProjectPlan:
    results = f"{RESULTS}/{loaded.name}"
    sheet = Path(results) / "frames.tsv"
    if main_process:
        cache = Path(results) / ".scan.json"
        raw = scan_folders(loaded.raw_folders, cache, not dry_run, SETTLE_S)
        frames = build_sheet(raw, loaded)
        problems = check_against_sheet(loaded, frames)
        if problems:
            raise ConfigError(problems)
    else:
        frames = read_sheet(sheet)
    matched = match_calibration(frames, loaded)
    plan = ProjectPlan(loaded, tuple(frames), matched, results)
    _check_lock(plan)
    if main_process and not dry_run:
        refuse_orphans(RESULTS)
        remove_abandoned(results)
        remove_abandoned(loaded.lock_path.parent, loaded.lock_path.name)
        write_sheet(frames, sheet)
        make_links(frames, Path(results) / "links")
    return plan


def _check_lock(plan: ProjectPlan) -> None:
    path = plan.loaded.lock_path
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
            msg = (
                f"{path}: the sub '{sub}' that the {what} is pinned to is not among the lights "
                f"any more; put it back, or delete {path.name} to choose anew"
            )
            raise UserError(msg)
    wanted = plan.loaded.project.reference
    if wanted and wanted not in (lock.reference, lock.name, Path(lock.name).name):
        msg = (
            f"{plan.loaded.path}: reference: {wanted}: the grid is pinned to {lock.name} already; "
            f"delete {path.name} to lay it anew"
        )
        raise UserError(msg)
