"""The products of a project as a graph: which rule makes each, from which others."""

import os
from collections.abc import Iterator
from dataclasses import dataclass

from platefiles.plan.calibration_jobs import calibrate_job, cosmic_rays_job, master_job, measure_job
from platefiles.plan.channel_jobs import integrate_job, register_job, register_sub_job, subs_job
from platefiles.plan.field_jobs import (
    annotation_job,
    depth_job,
    lists_job,
    overlay_job,
    sources_job,
    zero_points_job,
)
from platefiles.plan.grid_jobs import grid_job, solution_job
from platefiles.plan.mapped_jobs import line_job, match_job, seeing_job, sky_job
from platefiles.plan.picture_channels import (
    all_picture_files,
    channels_of,
    flat_path,
    line_channels,
    line_pair,
    mapped_path,
    matched_channels,
    sheet_pictures,
    uneven_of,
)
from platefiles.plan.picture_jobs import cube_job, draw_picture_job, sheet_job
from platefiles.plan.project_plan import ProjectPlan

PICTURE_RULES = {"tif": "draw_picture_tiff"}
_DRAW_PICTURE = "draw_picture"


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
        return _DRAW_PICTURE if self.rule in PICTURE_RULES.values() else self.rule


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
    channels = [plan.paths.channel(channel) for channel in plan.channels]
    kept = [
        plan.paths.stored_sub(kind, channel, frame.id)
        for kind in plan.loaded.project.keep_subs
        for channel in plan.channels
        for frame in plan.lights(channel)
    ]
    wanted = {
        "channels": [*channels, plan.paths.subs, *kept],
        "picture": [
            *all_picture_files(plan),
            plan.paths.contact_sheet,
            plan.paths.subs,
            plan.paths.seeing,
        ],
        "field": [
            plan.paths.solution,
            plan.paths.zero_points,
            plan.paths.depth,
            plan.paths.sources,
            *plan.paths.source_lists,
            *plan.paths.annotated_files,
            *plan.paths.overlay_files.values(),
        ],
    }
    wanted["all"] = [
        *wanted["channels"],
        plan.paths.seeing,
        *all_picture_files(plan),
        plan.paths.contact_sheet,
        *wanted["field"],
    ]
    return wanted.get(target, [target])


def _masters(plan: ProjectPlan) -> Iterator[Product]:
    for name, group in plan.masters.items():
        inputs = tuple(plan.masters_below(name))
        job = master_job(plan, name)
        yield Product(plan.paths.master(name), f"master_{group.kind}", name, job, inputs)


def _channels(plan: ProjectPlan) -> Iterator[Product]:
    everything = []
    for channel in plan.channels:
        for night in plan.nights(channel):
            path = plan.paths.measures(channel, night)
            inputs = tuple(plan.masters_of(plan.lights(channel, night)))
            job = measure_job(plan, channel, night)
            yield Product(path, "measure", f"{channel} {night}", job, inputs)
            everything.append(path)
    waits = [channel for channel in plan.channels if not plan.is_pinned(channel)]
    if waits:
        yield Product(plan.paths.lock, "choose_reference", "", grid_job(plan), tuple(everything))
    yield _solution(plan)
    for channel in plan.channels:
        measures = tuple(plan.paths.measures(channel, night) for night in plan.nights(channel))
        job, late = register_job(plan, channel), channel in waits
        inputs = (*measures, plan.paths.lock) if late else measures
        path, reference = plan.paths.registration(channel), plan.reference_measures()
        consulted = () if reference is None or reference in inputs else (reference,)
        yield Product(path, "register", channel, job, inputs, "", consulted, late)
        masters, rays = plan.masters_of(plan.lights(channel)), plan.rays_of(plan.lights(channel))
        for night, path in zip(plan.nights(channel), rays, strict=False):
            inputs = (
                *plan.masters_of(plan.lights(channel, night)),
                plan.paths.measures(channel, night),
            )
            job = cosmic_rays_job(plan, channel, night)
            yield Product(path, "find_cosmic_rays", f"{channel} {night}", job, inputs)
        inputs = (*masters, *rays, plan.paths.registration(channel), plan.paths.solution)
        job = integrate_job(plan, channel)
        yield Product(plan.paths.channel(channel), "integrate", channel, job, inputs, waits=late)
    yield _zero_points(plan)
    yield from _field(plan)
    inputs = tuple(
        path
        for channel in plan.channels
        for path in (plan.paths.registration(channel), plan.paths.channel(channel))
    )
    log = f"{plan.results}/logs/list_subs.log"
    job = subs_job(plan)
    yield Product(plan.paths.subs, "list_subs", "", job, inputs, log, waits=bool(waits))


def _zero_points(plan: ProjectPlan) -> Product:
    waits = not plan.are_pinned(plan.channels)
    path, job, inputs = plan.paths.zero_points, zero_points_job(plan), _measured(plan)
    return Product(path, "find_zero_points", "", job, inputs, waits=waits)


def _field(plan: ProjectPlan) -> Iterator[Product]:
    waits = not plan.are_pinned(plan.channels)
    inputs = (plan.paths.zero_points, *_measured(plan))
    job = depth_job(plan)
    yield Product(plan.paths.depth, "measure_depth", "", job, inputs, waits=waits)
    channels = tuple(map(plan.paths.channel, plan.channels))
    inputs = (plan.paths.solution, plan.paths.depth, *channels)
    job = sources_job(plan)
    yield Product(plan.paths.sources, "identify_sources", "", job, inputs, waits=waits)
    for path in plan.paths.source_lists:
        ending = path.rpartition(".")[2]
        log = f"{plan.results}/logs/list_sources/{ending}.log"
        job, made_from = lists_job(plan), (plan.paths.sources,)
        yield Product(path, "list_sources", ending, job, made_from, log, waits=waits)


def _measured(plan: ProjectPlan) -> tuple[str, ...]:
    """Solution, channels and all that they were measured by."""
    measures = (
        plan.paths.measures(channel, night)
        for channel in plan.channels
        for night in plan.nights(channel)
    )
    channels = map(plan.paths.channel, plan.channels)
    registrations = map(plan.paths.registration, plan.channels)
    return (plan.paths.solution, *channels, *registrations, *measures)


def _solution(plan: ProjectPlan) -> Product:
    waits, reference = plan.pinned is None, plan.reference_measures()
    inputs = (plan.paths.lock,) if waits else ()
    consulted = () if reference is None else (reference,)
    path, job = plan.paths.solution, solution_job(plan)
    return Product(path, "solve_astrometry", "", job, inputs, "", consulted, waits)


def _flat_channels(plan: ProjectPlan) -> Iterator[Product]:
    """Channels between integration and picture: their sky, their seeing, their lines."""
    waits = {channel: not plan.is_pinned(channel) for channel in plan.channels}
    for channel, late in waits.items():
        path, job = plan.paths.sky(channel), sky_job(plan, channel)
        yield Product(
            path, "subtract_gradient", channel, job, (plan.paths.channel(channel),), waits=late
        )
    skies = tuple(map(plan.paths.sky, plan.channels))
    log, late = f"{plan.results}/logs/list_seeing.log", any(waits.values())
    yield Product(plan.paths.seeing, "list_seeing", "", seeing_job(plan), skies, log, waits=late)
    if plan.loaded.recipe.seeing.match:
        for channel in matched_channels(plan):
            path, job = plan.paths.matched(channel), match_job(plan, channel)
            inputs = [*map(plan.paths.channel, matched_channels(plan))]
            inputs += map(plan.paths.sky, matched_channels(plan))
            yield Product(path, "match_channel", channel, job, tuple(inputs), waits=late)
    for channel in line_channels(plan):
        path, job = plan.paths.line(channel), line_job(plan, channel)
        pair = line_pair(plan, channel)
        inputs = [*(flat_path(plan, one) for one in pair), *map(plan.paths.sky, pair)]
        yield Product(path, "subtract_continuum", channel, job, tuple(inputs), waits=late)


def _annotated(plan: ProjectPlan) -> Iterator[Product]:
    waits = not plan.are_pinned(plan.channels)
    for path in plan.paths.annotated_files:
        ending = path.rpartition(".")[2]
        log = f"{plan.results}/logs/annotate/{ending}.log"
        inputs = (
            plan.paths.shown_picture,
            plan.paths.recipe_cube,
            plan.paths.solution,
            plan.paths.sources,
        )
        yield Product(path, "annotate", ending, annotation_job(plan), inputs, log, waits=waits)
    for name, path in plan.paths.overlay_files.items():
        log = f"{plan.results}/logs/overlay/{name}.log"
        below = (plan.paths.shown_picture, plan.paths.recipe_cube)
        yield Product(path, "overlay", name, overlay_job(plan, name), below, log, waits=waits)


def _pictures(plan: ProjectPlan) -> Iterator[Product]:
    for name in plan.loaded.pictures:
        channels = channels_of(plan, name)
        skies = map(plan.paths.sky, uneven_of(plan, name))
        inputs = (
            *(mapped_path(plan, channel) for channel in channels),
            *skies,
            plan.paths.solution,
        )
        waits = not plan.are_pinned(channels)
        cube, job = plan.paths.cube(name), draw_picture_job(plan, name)
        yield Product(cube, "map_channels", name, cube_job(plan, name), inputs, waits=waits)
        for path in plan.paths.picture_files(name):
            ending = path.removeprefix(f"{plan.results}/picture/{name}.")
            rule = PICTURE_RULES.get(ending, _DRAW_PICTURE)
            about = name if rule != _DRAW_PICTURE else f"{name} {ending}"
            log = f"{plan.results}/logs/draw_picture/{name}_{ending}.log"
            yield Product(path, rule, about, job, (cube,), log, waits=waits)
    channels = [*map(plan.paths.channel, plan.channels), *map(plan.paths.sky, plan.channels)]
    waits = not plan.are_pinned(plan.channels)
    inputs, log = (*channels, *sheet_pictures(plan)), f"{plan.results}/logs/contact_sheet.log"
    yield Product(
        plan.paths.contact_sheet, "contact_sheet", "", sheet_job(plan), inputs, log, waits=waits
    )


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
                path = plan.paths.stored_sub(kind, channel, frame.id)
                if kind in kept or os.path.exists(path):
                    yield _stored_sub(plan, kind, channel, frame.id, path)


def _stored_sub(plan: ProjectPlan, kind: str, channel: str, sub: str, path: str) -> Product:
    frames = [plan.by_id[sub]]
    masters = tuple(plan.masters_of(frames) + plan.rays_of(frames))
    about = f"{channel} {sub}"
    if kind == "calibrated":
        return Product(path, "calibrate_sub", about, calibrate_job(plan, sub), masters)
    job, waits = register_sub_job(plan, channel, sub), not plan.is_pinned(channel)
    inputs = (*masters, plan.paths.registration(channel), plan.paths.solution)
    return Product(path, "register_sub", about, job, inputs, waits=waits)
