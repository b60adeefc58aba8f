"""Between Snakemake and the plans of the projects: functions of wildcards."""

import os
import re
import sys
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

from platefiles.core.errors import UserError
from platefiles.core.safe_names import printable_lines
from platefiles.digests.project_digests import write_all_digests
from platefiles.integration.tiles import needed_mb
from platefiles.jobs.run_lock import RESULTS
from platefiles.rule_inputs.depth_inputs import DepthInputs
from platefiles.rule_inputs.field_inputs import FieldInputs, lock_stem, single
from platefiles.rule_inputs.flags import ancient, local
from platefiles.workflow.graph import Product, products_of, targets_of
from platefiles.workflow.jobs import ProjectPlan
from platefiles.workflow.noted_plan import note_products
from platefiles.workflow.open_project import named, open_projects
from platefiles.workflow.rerun_trigger import date_back, newer_file, newer_file_for_a_dry_run
from platefiles.workflow.shared_masters import shared_masters, shared_stem
from platefiles.workflow.staleness import Ledger


class Plans(FieldInputs, DepthInputs):
    """The plans of all projects of a run; its methods are the input and params functions of rules.

    Parameters
    ----------
    plans : mapping of str to ProjectPlan
    dry_run : bool
        Nothing is written, so links of new frames are not there yet and are not asked for.
    main_process : bool
        False in a job on another machine.

    Attributes
    ----------
    unpinned : list of str
        Projects whose grid, or the reference of one of whose channels, was yet to be chosen when
        the run began.
    """

    def __init__(
        self, plans: Mapping[str, ProjectPlan], dry_run: bool = False, main_process: bool = True
    ):
        self.by_name = dict(plans)
        self._dry_run, self._main_process = dry_run, main_process
        self.unpinned = [
            name
            for name, plan in self.by_name.items()
            if not all(plan.is_pinned(channel) for channel in plan.channels)
        ]
        self._choice: Any = None
        self._products: dict[str, Product] = {}
        self._stale: set[str] = set()
        self._to_make: set[str] = set()
        self._of_plan: dict[str, dict[str, Product]] = {}
        for name, plan in self.by_name.items():
            ledger = Ledger(products_of(plan))
            self._of_plan[name] = ledger.products
            if main_process and not dry_run:
                note_products(plan.results, ledger.products)
            self._products |= ledger.products
            self._stale |= ledger.stale
            self._to_make |= set(ledger.to_make(targets_of(plan, "all")))
        self.shared = shared_masters(RESULTS, self._products, self._to_make)
        if main_process and not dry_run:
            if self._stale or self.unpinned:
                newer_file(RESULTS, touch=True)
            date_back(self._products)
            date_back(plan.lock_path for plan in self)
            date_back(plan.link(frame) for plan in self for frame in plan.frames)

    def __iter__(self) -> Iterator[ProjectPlan]:
        """Go through the plans in the order of the projects."""
        return iter(self.by_name.values())

    def write_digests(self) -> None:
        """Write the sheets of digests at the end of a run; a full disk holds up nothing."""
        if self._main_process and not self._dry_run:
            write_all_digests((plan, self._of_plan[name]) for name, plan in self.by_name.items())

    def wait_for(self, checkpoint: Any) -> None:
        """Tell which checkpoint chooses the grids that are not pinned yet."""
        self._choice = checkpoint

    @property
    def names(self) -> str:
        """Regular expression of the names of the projects."""
        return "|".join(map(re.escape, self.by_name))

    @property
    def channels(self) -> str:
        """Regular expression of the names of the channels."""
        return _any_of(name for plan in self for name in plan.channels)

    @property
    def nights(self) -> str:
        """Regular expression of the nights on which there are lights."""
        return _any_of(night for plan in self for c in plan.channels for night in plan.nights(c))

    @property
    def pictures(self) -> str:
        """Regular expression of the names of the pictures."""
        return _any_of(name for plan in self for name in plan.loaded.pictures)

    @property
    def unpinned_locks(self) -> str:
        """Regular expression of what the rule that chooses the grid may write, less its ending."""
        locks = [lock_stem(self.by_name[name]) for name in self.unpinned]
        return "|".join(re.escape(lock) for lock in locks)

    @property
    def shared_files(self) -> str:
        """Regular expression of the masters from other projects, less folder and ending."""
        return "|".join(re.escape(shared_stem(RESULTS, path)) for path in self.shared)

    def twin(self, wildcards) -> str:
        """The same master in another project."""
        twin = self.shared[f"{RESULTS}/{wildcards.shared}.fits"]
        return self._aged(twin)

    def shared_job(self, wildcards) -> str:
        """Job of a master that is taken from another project."""
        return self._products[f"{RESULTS}/{wildcards.shared}.fits"].job

    def newer(self, pattern: str) -> Callable[[Any], list[str]]:
        """Return the input function of a rule that makes its stale products again.

        Snakemake makes a product again that is older than an input. So a product that was made by
        another job than the plan has gets an input that is newer, whatever the clock says.

        Parameters
        ----------
        pattern : str
            Path of the product with wildcards.
        """

        def files(wildcards) -> list[str]:
            path = pattern.format(**dict(wildcards.items()))
            return [self._newer()] if path in self._stale else []

        return files

    def _newer(self) -> str:
        if self._dry_run:
            return local(newer_file_for_a_dry_run())
        return local(newer_file(RESULTS, touch=False))

    def _made(self, taker: str, paths: Sequence[str]) -> list[str]:
        """Return products as inputs of another; those that stay as they are have no age.

        So the times of files that were copied mean nothing. What is as it should be needs no
        input: if one was deleted, it is not asked for.
        """
        if taker in self._to_make or not os.path.exists(taker):
            return [self._aged(path) for path in paths]
        return [ancient(path) for path in paths if os.path.exists(path)]

    def _aged(self, path: str) -> str:
        return path if path in self._to_make else ancient(path)

    def plan(self, wildcards) -> ProjectPlan:
        """Return the plan that a rule's wildcards name.

        Raises
        ------
        UserError
            If the project does not have the channel or the sub that they name: another project may.
        """
        plan = self.by_name[wildcards.project]
        channel, sub = (getattr(wildcards, name, None) for name in ("channel", "sub"))
        if channel is not None and channel not in plan.channels:
            known = ", ".join(plan.channels)
            msg = f"project {plan.loaded.name} has no channel '{channel}'; it has {known}"
            raise UserError(msg)
        own = None if sub is None or sub not in plan.by_id else plan.by_id[sub].channel
        if sub is not None and (own is None or channel not in (None, own)):
            where = f"channel '{channel}' of project {plan.loaded.name}"
            msg = f"{where} has no sub '{sub}'; {plan.results}/frames.tsv lists them by id"
            raise UserError(msg)
        return plan

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
        plan = self.plan(wildcards)
        taker = plan.master_path(wildcards.master)
        return self._made(taker, plan.masters_below(wildcards.master))

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
        taker = plan.measures_path(wildcards.channel, wildcards.night)
        return self._made(taker, plan.masters_of(plan.lights(wildcards.channel, wildcards.night)))

    def measure_job(self, wildcards) -> str:
        """Job of a channel's night."""
        return self.plan(wildcards).measure_job(wildcards.channel, wildcards.night)

    def cosmic_rays_job(self, wildcards) -> str:
        """Job of finding cosmic rays on the subs of a channel's night."""
        return self.plan(wildcards).cosmic_rays_job(wildcards.channel, wildcards.night)

    def channel_rays(self, wildcards) -> list[str]:
        """Cosmic rays on the lights of a channel, none where it is not cleaned sub by sub."""
        plan = self.plan(wildcards)
        taker = plan.channel_path(wildcards.channel)
        return self._made(taker, plan.rays_of(plan.lights(wildcards.channel)))

    def sub_rays(self, wildcards) -> list[str]:
        """Cosmic rays on the lights of one light's night."""
        plan = self.plan(wildcards)
        return [self._aged(path) for path in plan.rays_of([plan.by_id[wildcards.sub]])]

    def rays_masters(self, wildcards) -> list[str]:
        """Masters of the lights of a channel's night that is searched for cosmic rays."""
        plan = self.plan(wildcards)
        taker = plan.rays_path(wildcards.channel, wildcards.night)
        return self._made(taker, plan.masters_of(plan.lights(wildcards.channel, wildcards.night)))

    def rays_measures(self, wildcards) -> list[str]:
        """Measures of a channel's night that is searched for cosmic rays."""
        plan, night = self.plan(wildcards), (wildcards.channel, wildcards.night)
        return self._made(plan.rays_path(*night), [plan.measures_path(*night)])

    def channel_frames(self, wildcards) -> list[str]:
        """Links of the lights of a channel."""
        plan = self.plan(wildcards)
        return self._links(plan, plan.lights(wildcards.channel))

    def channel_masters(self, wildcards) -> list[str]:
        """Masters of the lights of a channel."""
        plan = self.plan(wildcards)
        taker = plan.channel_path(wildcards.channel)
        return self._made(taker, plan.masters_of(plan.lights(wildcards.channel)))

    def channel_measures(self, wildcards) -> list[str]:
        """Measures of all nights of a channel."""
        plan = self.plan(wildcards)
        channel = wildcards.channel
        paths = [plan.measures_path(channel, night) for night in plan.nights(channel)]
        return self._made(plan.registration_path(channel), paths)

    def reference_measures(self, wildcards) -> list[str]:
        """Measures that hold the reference sub, which may have to be chosen first."""
        plan, channel = self.plan(wildcards), wildcards.channel
        if not plan.is_pinned(channel) and self._choice is not None:
            self._choice.get(lock=lock_stem(plan))  # Snakemake asks again when it is chosen
        taker, path = plan.registration_path(channel), plan.reference_path() or ""
        product = self._products.get(taker)
        others = product is not None and path in product.consulted
        if others and taker not in self._to_make and path in self._to_make:
            return []  # what becomes of the other subs of that night is nothing to this channel
        return self._made(taker, [path])

    def lock(self, wildcards) -> str:
        """File that pins the grid."""
        plan = self.plan(wildcards)
        path = plan.lock_path
        return ancient(path) if plan.is_pinned(wildcards.channel) else path

    def lock_newer(self, wildcards) -> list[str]:
        """A newer file: as long as there is something to choose, what is there is out of date."""
        return [self._newer()]

    def _plan_of_lock(self, stem: str) -> ProjectPlan:
        return next(plan for plan in self if lock_stem(plan) == stem)

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
        return needed_mb(len(frames), (frames[0].height_px, frames[0].width_px), threads)

    def sub_frame(self, wildcards) -> list[str]:
        """Link of one light."""
        plan = self.plan(wildcards)
        return self._links(plan, [plan.by_id[wildcards.sub]])

    def sub_masters(self, wildcards) -> list[str]:
        """Masters of one light."""
        plan = self.plan(wildcards)
        paths = plan.masters_of([plan.by_id[wildcards.sub]])
        return [self._aged(path) for path in paths]

    def calibrate_job(self, wildcards) -> str:
        """Job of one calibrated sub."""
        return self.plan(wildcards).calibrate_job(wildcards.sub)

    def register_sub_job(self, wildcards) -> str:
        """Job of one registered sub."""
        return self.plan(wildcards).register_sub_job(wildcards.channel, wildcards.sub)

    def registrations(self, wildcards) -> list[str]:
        """Registration tables of all channels."""
        plan = self.plan(wildcards)
        paths = [plan.registration_path(channel) for channel in plan.channels]
        return self._made(plan.subs_path, paths)

    def registration(self, wildcards) -> str | list[str]:
        """Registration table of a channel that is integrated."""
        plan, channel = self.plan(wildcards), wildcards.channel
        taker, path = plan.channel_path(channel), plan.registration_path(channel)
        return single(self._made(taker, [path]))

    def sub_registration(self, wildcards) -> str:
        """Registration table of a channel of which a sub is stored."""
        return self._aged(self.plan(wildcards).registration_path(wildcards.channel))

    def integrations(self, wildcards) -> list[str]:
        """Integrated images of all channels."""
        plan = self.plan(wildcards)
        return self._made(plan.subs_path, [plan.channel_path(channel) for channel in plan.channels])

    def channel(self, wildcards) -> str | list[str]:
        """Integrated image of a channel whose sky is modelled."""
        plan, channel = self.plan(wildcards), wildcards.channel
        return single(self._made(plan.sky_path(channel), [plan.channel_path(channel)]))

    def sky_job(self, wildcards) -> str:
        """Job of modelling a channel's sky."""
        return self.plan(wildcards).sky_job(wildcards.channel)

    def skies(self, wildcards) -> list[str]:
        """Models of the sky of all channels, with their stars."""
        plan = self.plan(wildcards)
        return self._made(plan.seeing_path, [*map(plan.sky_path, plan.channels)])

    def seeing_job(self, wildcards) -> str:
        """Job of the table of the widths of stars."""
        return self.plan(wildcards).seeing_job()

    def match_channels(self, wildcards) -> list[str]:
        """Integrated images of all channels that get stars of one width."""
        plan, taker = self.plan(wildcards), self.plan(wildcards).matched_path(wildcards.channel)
        return self._made(taker, [*map(plan.channel_path, plan.matched_channels)])

    def match_skies(self, wildcards) -> list[str]:
        """Models of their skies."""
        plan, taker = self.plan(wildcards), self.plan(wildcards).matched_path(wildcards.channel)
        return self._made(taker, [*map(plan.sky_path, plan.matched_channels)])

    def match_job(self, wildcards) -> str:
        """Job of making a channel's stars as wide as those of the others."""
        return self.plan(wildcards).match_job(wildcards.channel)

    def line_channels(self, wildcards) -> list[str]:
        """Images of a narrowband channel and of the one that shows its starlight."""
        plan, channel = self.plan(wildcards), wildcards.channel
        return self._made(plan.line_path(channel), [*map(plan.flat_path, plan.line_pair(channel))])

    def line_skies(self, wildcards) -> list[str]:
        """Models of their skies, with their stars."""
        plan, channel = self.plan(wildcards), wildcards.channel
        return self._made(plan.line_path(channel), [*map(plan.sky_path, plan.line_pair(channel))])

    def line_job(self, wildcards) -> str:
        """Job of taking the starlight out of a narrowband channel."""
        return self.plan(wildcards).line_job(wildcards.channel)

    def mapped(self, wildcards) -> list[str]:
        """Images of the channels that a picture is made of."""
        plan, name = self.plan(wildcards), wildcards.picture
        return self._made(plan.picture_cube(name), [*map(plan.mapped_path, plan.channels_of(name))])

    def mapped_skies(self, wildcards) -> list[str]:
        """Models of the skies of those that have their gradient still."""
        plan, name = self.plan(wildcards), wildcards.picture
        return self._made(plan.picture_cube(name), [*map(plan.sky_path, plan.uneven_of(name))])

    def sheet_skies(self, wildcards) -> list[str]:
        """Models of the skies of all channels, for the contact sheet."""
        plan = self.plan(wildcards)
        return self._made(plan.sheet_path, [*map(plan.sky_path, plan.channels)])

    def cube(self, wildcards) -> str | list[str]:
        """Linear cube of which a picture is drawn."""
        plan, ending = self.plan(wildcards), wildcards.get("ending", "tif")
        taker = f"{plan.results}/picture/{wildcards.picture}.{ending}"
        return single(self._made(taker, [plan.picture_cube(wildcards.picture)]))

    def cube_job(self, wildcards) -> str:
        """Job of the linear cube of a picture."""
        return self.plan(wildcards).cube_job(wildcards.picture)

    def composite_job(self, wildcards) -> str:
        """Job of the files of a picture."""
        return self.plan(wildcards).composite_job(wildcards.picture)

    def sheet_channels(self, wildcards) -> list[str]:
        """Integrated images of all channels, for the contact sheet."""
        plan = self.plan(wildcards)
        paths = [plan.channel_path(channel) for channel in plan.channels]
        return self._made(plan.sheet_path, paths)

    def sheet_pictures(self, wildcards) -> list[str]:
        """One file of each picture, for the contact sheet."""
        plan = self.plan(wildcards)
        return self._made(plan.sheet_path, plan.sheet_pictures)

    def sheet_job(self, wildcards) -> str:
        """Job of the contact sheet."""
        return self.plan(wildcards).sheet_job()

    def subs_job(self, wildcards) -> str:
        """Job of the table of subs."""
        return self.plan(wildcards).subs_job()

    def targets(self, name: str) -> list[str]:
        """Files of a target rule, of all projects."""
        return [path for plan in self for path in targets_of(plan, name)]


def _any_of(names: Iterable[str]) -> str:
    """Return a regular expression of names; without any, one that nothing matches."""
    return "|".join(sorted({re.escape(name) for name in names})) or "(?!)"


def open_plans(
    config: Mapping[str, Any], base: Path, main_process: bool, arguments: Sequence[str]
) -> Plans:
    """Load, scan and match the projects of a run.

    A project with a problem does not hold up the others: it is named on stderr and left out.

    Parameters
    ----------
    config : mapping
        Snakemake's: ``projects`` is a list, or a text with commas, of names or paths of project
        files; without it all of ``config/projects`` are taken, but for those that are to be run
        only if they are named.
    base : Path
        Folder of the Snakefile.
    main_process : bool
        False in a job on another machine, which reads the frame sheet instead of scanning.
    arguments : sequence of str
        Snakemake's command line, to see whether this is a dry run.

    Raises
    ------
    UserError
        With every problem of every project, if none is left; if the results cannot be written.
    """
    dry_run = is_dry_run(arguments)
    wanted = config.get("projects") or []
    if isinstance(wanted, str):
        wanted = [name for name in wanted.split(",") if name]
    opened, problems = open_projects(wanted, base / "config" / "projects", main_process, dry_run)
    if problems and not opened:
        alone = len(problems) == 1
        raise UserError("\n".join(named(text, name, alone) for name, text in problems.items()))
    if main_process:
        for name, problem in problems.items():
            print(printable_lines(named(problem, name, alone=False)), file=sys.stderr)
    try:
        return Plans(opened, dry_run, main_process)
    except OSError as error:
        where = f"{error.filename}: " if error.filename else ""
        msg = f"{where}{error.strerror or error}; mend it and start the run again"
        raise UserError(msg) from None


def is_dry_run(arguments: Sequence[str]) -> bool:
    """Say whether Snakemake was asked to do nothing."""
    return any(re.fullmatch(r"--dry-?run|-[kpqrF]*n[kpqrF]*", word) for word in arguments)
