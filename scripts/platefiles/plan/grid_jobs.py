"""Jobs of the grid: its choice, its astrometry, and its pins for other jobs."""

from pathlib import PurePath
from typing import Any

from platefiles.astrometry.tycho import tycho_sum
from platefiles.core.hashing import digest, file_sha256
from platefiles.frames.fixed_header import fixes_for
from platefiles.frames.frame import Frame
from platefiles.plan.calibration_jobs import measuring_job, sub_facts
from platefiles.plan.job_text import job_text, part, remembered
from platefiles.plan.project_plan import ProjectPlan
from platefiles.raw_folders.known_frames import present_name
from platefiles.settings.field import Pointing
from platefiles.settings.registration import Roundness


def grid_job(plan: ProjectPlan) -> str:
    """Job of choosing the grid, the photometric references and the crop."""
    return job_text(
        plan,
        "choose_reference",
        {
            "quality": part(plan.loaded.recipe.quality, Roundness),
            "registration": plan.loaded.recipe.registration.model_dump(),
        },
        channels=_by_preference(plan),
        reference=_known_reference(plan),
    )


@remembered
def solution_job(plan: ProjectPlan) -> str:
    """Job of placing the grid on the sky."""
    sky = plan.loaded.project.sky
    settings = {"sky": part(sky, Pointing)}
    reference = None if plan.pinned is None else plan.by_id[plan.pinned.reference]
    keys = ("pixel_size_um", "focal_length_mm", "site")
    equipment = plan.loaded.equipment.model_dump(exclude_none=True)
    return job_text(
        plan,
        "solve_astrometry",
        settings,
        pins=grid_pins(plan),
        sub=None if reference is None else sub_facts(plan, reference),
        header_fixes={} if reference is None else _fixes(plan, reference),
        equipment={key: equipment[key] for key in keys if key in equipment},
        catalogue=catalogue_digest(plan),
        stars=_stars(plan),
    )


def grid_pins(plan: ProjectPlan) -> dict[str, Any] | None:
    """Return the pins of the grid; None if it is not chosen yet.

    Only the reference sub of its night counts: further subs of that night make nothing else stale.
    """
    lock = plan.pinned
    if lock is None:
        return None
    return {
        "grid": [lock.reference, lock.width_px, lock.height_px],
        "measured": _measured(plan, lock.reference),
    }


def channel_pins(plan: ProjectPlan, channel: str) -> dict[str, Any] | None:
    """Grid and photometric reference of a channel; None if either is not chosen yet."""
    lock, grid = plan.pinned, grid_pins(plan)
    if lock is None or grid is None or not plan.is_pinned(channel):
        return None
    bright = lock.photometry[channel]
    return {**grid, "brightness": bright, "brightness_measured": _measured(plan, bright)}


@remembered
def _measured(plan: ProjectPlan, sub_id: str) -> str:
    """Digest of the job that measures one sub alone."""
    frame = plan.by_id[sub_id]
    return digest(measuring_job(plan, frame.channel, frame.night, [frame]))


def _known_reference(plan: ProjectPlan) -> str | None:
    """Return the requested reference by the project's name of the sub."""
    wanted = plan.loaded.project.reference
    lights = [frame for frame in plan.frames if frame.role == "light"]
    if wanted is None or any(
        wanted in (frame.name, PurePath(frame.name).name, frame.id) for frame in lights
    ):
        return wanted
    for frame in lights:
        now = present_name(frame, plan.loaded.raw_folders)
        if wanted in (now, PurePath(now).name):
            return frame.name
    return wanted


def _by_preference(plan: ProjectPlan) -> list[str]:
    """Channels, luminance first: it usually has the most stars."""
    row = plan.loaded.recipe.mapping.luminance or {}
    return sorted(plan.channels, key=lambda name: (-row.get(name, 0.0), plan.channels.index(name)))


def _stars(plan: ProjectPlan) -> dict[str, str]:
    """Return the name of the star catalogue and the values for its sentences."""
    loaded, published = plan.loaded, plan.loaded.project.sky.published
    about = {"project": loaded.name, "file": loaded.path.name}
    if plan.star_path is not None:
        return about | {"name": published.title if published else ""}
    wanted = published.title if published else "the cone search"
    return about | ({"missing": wanted} if loaded.star_path is not None else {})


def _fixes(plan: ProjectPlan, frame: Frame) -> dict[str, Any]:
    fixes = plan.loaded.project.header_fixes
    now = present_name(frame, plan.loaded.raw_folders)
    return fixes_for((frame.name, now), fixes)


@remembered
def catalogue_digest(plan: ProjectPlan) -> str:
    """Identity of a star catalogue."""
    if plan.star_path is None:
        return f"Tycho-2 {tycho_sum()}"
    return file_sha256(plan.star_path)
