"""The products of a project as a graph: which rule makes each, from which others."""

import os
from collections.abc import Iterator
from dataclasses import dataclass

from platefiles.workflow.jobs import ProjectPlan

COMPOSITE_RULES = {"tif": "composite_tiff"}
_COMPOSITE = "composite"


@dataclass(frozen=True)
class Product:
    """A file that a rule makes.

    Attributes
    ----------
    path : str
        Relative to the working directory.
    rule : str
        Rule that makes it.
    about : str
        What it is of, in words: ``ha 2026-03-23``.
    job : str
        Its job.
    inputs : tuple of str
        Products from which it is made.
    consulted : tuple of str
        Products that are read too, and that the job knows all about: a change of the rest of them
        does not matter.
    log : str
        Log of its job, which tells the digest of the job of what has no FITS header.
    waits : bool
        Its job is not known yet, because the grid is to be chosen first.
    """

    path: str
    rule: str
    about: str
    job: str
    inputs: tuple[str, ...]
    log: str = ""
    consulted: tuple[str, ...] = ()
    waits: bool = False

    @property
    def step(self) -> str:
        """Name of the script of the rule."""
        return _COMPOSITE if self.rule in COMPOSITE_RULES.values() else self.rule


def products_of(plan: ProjectPlan) -> dict[str, Product]:
    """Return every product of a project by its path, each after those it is made from.

    Stored subs are among them if the project keeps them, or if they are there.
    """
    found = (
        *_masters(plan),
        *_channels(plan),
        *_flat_channels(plan),
        *_pictures(plan),
        *_annotated(plan),
        *_stored_subs(plan),
    )
    return {product.path: product for product in found}


def targets_of(plan: ProjectPlan, target: str) -> list[str]:
    """Return the files that a target rule of the Snakefile asks of a project.

    Parameters
    ----------
    plan : ProjectPlan
    target : str
        ``channels``, ``picture``, ``field``, ``all``, or the path of one file, which may be of
        another project.
    """
    channels = [plan.channel_path(channel) for channel in plan.channels]
    kept = [
        plan.stored_path(kind, channel, frame.id)
        for kind in plan.loaded.project.keep_subs
        for channel in plan.channels
        for frame in plan.lights(channel)
    ]
    wanted = {
        "channels": [*channels, plan.subs_path, *kept],
        "picture": [*plan.picture_files, plan.sheet_path, plan.subs_path, plan.seeing_path],
        "field": [
            plan.solution_path,
            plan.zero_points_path,
            plan.depth_path,
            plan.sources_path,
            *plan.source_lists,
            *plan.annotated_files,
            *plan.overlay_files.values(),
        ],
    }
    wanted["all"] = [
        *wanted["channels"],
        plan.seeing_path,
        *plan.picture_files,
        plan.sheet_path,
        *wanted["field"],
    ]
    return wanted.get(target, [target])


def _masters(plan: ProjectPlan) -> Iterator[Product]:
    for name, group in plan.masters.items():
        inputs = tuple(plan.masters_below(name))
        job = plan.master_job(name)
        yield Product(plan.master_path(name), f"master_{group.kind}", name, job, inputs)


def _channels(plan: ProjectPlan) -> Iterator[Product]:
    everything = []
    for channel in plan.channels:
        for night in plan.nights(channel):
            path = plan.measures_path(channel, night)
            inputs = tuple(plan.masters_of(plan.lights(channel, night)))
            job = plan.measure_job(channel, night)
            yield Product(path, "measure", f"{channel} {night}", job, inputs)
            everything.append(path)
    waits = [channel for channel in plan.channels if not plan.is_pinned(channel)]
    if waits:
        yield Product(plan.lock_path, "choose_grid", "", plan.grid_job(), tuple(everything))
    yield _solution(plan)
    for channel in plan.channels:
        measures = tuple(plan.measures_path(channel, night) for night in plan.nights(channel))
        job, late = plan.register_job(channel), channel in waits
        inputs = (*measures, plan.lock_path) if late else measures
        path, reference = plan.registration_path(channel), plan.reference_path()
        consulted = () if reference is None or reference in inputs else (reference,)
        yield Product(path, "register", channel, job, inputs, "", consulted, late)
        masters, rays = plan.masters_of(plan.lights(channel)), plan.rays_of(plan.lights(channel))
        for night, path in zip(plan.nights(channel), rays, strict=False):
            inputs = (
                *plan.masters_of(plan.lights(channel, night)),
                plan.measures_path(channel, night),
            )
            job = plan.cosmic_rays_job(channel, night)
            yield Product(path, "find_cosmic_rays", f"{channel} {night}", job, inputs)
        inputs = (*masters, *rays, plan.registration_path(channel), plan.solution_path)
        job = plan.integrate_job(channel)
        yield Product(plan.channel_path(channel), "integrate", channel, job, inputs, waits=late)
    yield _zero_points(plan)
    yield from _field(plan)
    inputs = tuple(
        path
        for channel in plan.channels
        for path in (plan.registration_path(channel), plan.channel_path(channel))
    )
    log = f"{plan.results}/logs/tabulate_subs.log"
    job = plan.subs_job()
    yield Product(plan.subs_path, "tabulate_subs", "", job, inputs, log, waits=bool(waits))


def _zero_points(plan: ProjectPlan) -> Product:
    waits = not all(plan.is_pinned(channel) for channel in plan.channels)
    path, job, inputs = plan.zero_points_path, plan.zero_points_job(), _measured(plan)
    return Product(path, "find_zero_points", "", job, inputs, waits=waits)


def _field(plan: ProjectPlan) -> Iterator[Product]:
    waits = not all(plan.is_pinned(channel) for channel in plan.channels)
    inputs = (plan.zero_points_path, *_measured(plan))
    job = plan.depth_job()
    yield Product(plan.depth_path, "measure_depth", "", job, inputs, waits=waits)
    channels = tuple(map(plan.channel_path, plan.channels))
    inputs = (plan.solution_path, plan.depth_path, *channels)
    job = plan.sources_job()
    yield Product(plan.sources_path, "identify_sources", "", job, inputs, waits=waits)
    for path in plan.source_lists:
        ending = path.rpartition(".")[2]
        log = f"{plan.results}/logs/list_sources/{ending}.log"
        job, made_from = plan.lists_job(), (plan.sources_path,)
        yield Product(path, "list_sources", ending, job, made_from, log, waits=waits)


def _measured(plan: ProjectPlan) -> tuple[str, ...]:
    """Solution, channels and all that they were measured by."""
    measures = (
        plan.measures_path(channel, night)
        for channel in plan.channels
        for night in plan.nights(channel)
    )
    channels = map(plan.channel_path, plan.channels)
    registrations = map(plan.registration_path, plan.channels)
    return (plan.solution_path, *channels, *registrations, *measures)


def _solution(plan: ProjectPlan) -> Product:
    waits, reference = plan.pinned is None, plan.reference_path()
    inputs = (plan.lock_path,) if waits else ()
    consulted = () if reference is None else (reference,)
    path, job = plan.solution_path, plan.solution_job()
    return Product(path, "place_on_sky", "", job, inputs, "", consulted, waits)


def _flat_channels(plan: ProjectPlan) -> Iterator[Product]:
    """Channels between integration and picture: their sky, their seeing, their lines."""
    waits = {channel: not plan.is_pinned(channel) for channel in plan.channels}
    for channel, late in waits.items():
        path, job = plan.sky_path(channel), plan.sky_job(channel)
        yield Product(path, "flatten_sky", channel, job, (plan.channel_path(channel),), waits=late)
    skies = tuple(map(plan.sky_path, plan.channels))
    log, late = f"{plan.results}/logs/tabulate_seeing.log", any(waits.values())
    yield Product(
        plan.seeing_path, "tabulate_seeing", "", plan.seeing_job(), skies, log, waits=late
    )
    if plan.loaded.recipe.seeing.match:
        for channel in plan.matched_channels:
            path, job = plan.matched_path(channel), plan.match_job(channel)
            inputs = [*map(plan.channel_path, plan.matched_channels)]
            inputs += map(plan.sky_path, plan.matched_channels)
            yield Product(path, "match_channel", channel, job, tuple(inputs), waits=late)
    for channel in plan.line_channels:
        path, job = plan.line_path(channel), plan.line_job(channel)
        pair = plan.line_pair(channel)
        inputs = [*map(plan.flat_path, pair), *map(plan.sky_path, pair)]
        yield Product(path, "subtract_continuum", channel, job, tuple(inputs), waits=late)


def _annotated(plan: ProjectPlan) -> Iterator[Product]:
    waits = not all(plan.is_pinned(channel) for channel in plan.channels)
    for path in plan.annotated_files:
        ending = path.rpartition(".")[2]
        log = f"{plan.results}/logs/annotate/{ending}.log"
        inputs = (plan.shown_picture, plan.cube_path, plan.solution_path, plan.sources_path)
        yield Product(path, "annotate", ending, plan.annotation_job(), inputs, log, waits=waits)
    for name, path in plan.overlay_files.items():
        log = f"{plan.results}/logs/overlay/{name}.log"
        below = (plan.shown_picture, plan.cube_path)
        yield Product(path, "overlay", name, plan.overlay_job(name), below, log, waits=waits)


def _pictures(plan: ProjectPlan) -> Iterator[Product]:
    for name in plan.loaded.pictures:
        channels = plan.channels_of(name)
        skies = map(plan.sky_path, plan.uneven_of(name))
        inputs = (*map(plan.mapped_path, channels), *skies, plan.solution_path)
        waits = not all(plan.is_pinned(channel) for channel in channels)
        cube, job = plan.picture_cube(name), plan.composite_job(name)
        yield Product(cube, "map_channels", name, plan.cube_job(name), inputs, waits=waits)
        for path in plan.files_of(name):
            ending = path.removeprefix(f"{plan.results}/picture/{name}.")
            rule = COMPOSITE_RULES.get(ending, _COMPOSITE)
            about = name if rule != _COMPOSITE else f"{name} {ending}"
            log = f"{plan.results}/logs/composite/{name}_{ending}.log"
            yield Product(path, rule, about, job, (cube,), log, waits=waits)
    channels = [*map(plan.channel_path, plan.channels), *map(plan.sky_path, plan.channels)]
    waits = not all(plan.is_pinned(channel) for channel in plan.channels)
    inputs, log = (*channels, *plan.sheet_pictures), f"{plan.results}/logs/contact_sheet.log"
    yield Product(plan.sheet_path, "contact_sheet", "", plan.sheet_job(), inputs, log, waits=waits)


def _stored_subs(plan: ProjectPlan) -> Iterator[Product]:
    kept = plan.loaded.project.keep_subs
    there = [
        kind
        for kind in ("calibrated", "registered")
        if kind in kept or os.path.isdir(f"{plan.results}/{kind}")
    ]
    for kind in there:
        for channel in plan.channels:
            for frame in plan.lights(channel):
                path = plan.stored_path(kind, channel, frame.id)
                if kind in kept or os.path.exists(path):
                    yield _stored_sub(plan, kind, channel, frame.id, path)


def _stored_sub(plan: ProjectPlan, kind: str, channel: str, sub: str, path: str) -> Product:
    frames = [plan.by_id[sub]]
    masters = tuple(plan.masters_of(frames) + plan.rays_of(frames))
    about = f"{channel} {sub}"
    if kind == "calibrated":
        return Product(path, "calibrate_sub", about, plan.calibrate_job(sub), masters)
    job, waits = plan.register_sub_job(channel, sub), not plan.is_pinned(channel)
    inputs = (*masters, plan.registration_path(channel), plan.solution_path)
    return Product(path, "register_sub", about, job, inputs, waits=waits)
