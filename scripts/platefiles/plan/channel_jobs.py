"""Jobs of registered and integrated channels."""

import json
from collections.abc import Iterable, Sequence
from typing import Any

from platefiles.core.hashing import canonical
from platefiles.frames.frame import Frame, sections_of
from platefiles.plan.calibration_jobs import (
    camera_facts,
    cosmic_rays_jobs,
    measure_stars_job,
    sub_facts,
)
from platefiles.plan.grid_jobs import channel_pins, solution_job
from platefiles.plan.job_text import job_text, part, remembered
from platefiles.plan.project_plan import ProjectPlan
from platefiles.settings.integration import Levelling, Stacking, Weighting


@remembered
def register_job(plan: ProjectPlan, channel: str, night: str) -> str:
    """Job of registering a channel's night."""
    recipe = plan.loaded.recipe
    settings = {
        "registration": recipe.registration.model_dump(),
        "integration": part(recipe.integration, Levelling),
    }
    return job_text(
        plan,
        "register",
        settings,
        [measure_stars_job(plan, channel, night)],
        channel=channel,
        night=night,
        calibrated=plan.loaded.project.calibrated,
        pins=channel_pins(plan, channel),
    )


@remembered
def assess_job(plan: ProjectPlan, channel: str) -> str:
    """Job of selecting the subs of a channel."""
    recipe = plan.loaded.recipe
    settings = {
        "quality": recipe.quality.model_dump(),
        "integration": part(recipe.integration, Weighting),
    }
    return job_text(
        plan,
        "assess_subs",
        settings,
        [register_job(plan, channel, night) for night in plan.nights(channel)],
        channel=channel,
        by_night=plan.nights_alone(channel),
    )


@remembered
def integrate_night_job(plan: ProjectPlan, channel: str, night: str) -> str:
    """Job of integrating a channel's night."""
    frames = plan.lights(channel, night)
    settings = {
        "quality": plan.loaded.recipe.quality.model_dump(),
        "integration": _combining(plan, channel),
    }
    return job_text(
        plan,
        "integrate_night",
        settings,
        [register_job(plan, channel, night), *cosmic_rays_jobs(plan, frames)],
        night=night,
        **about_channel(plan, channel, frames),
        subs=[sub_facts(plan, frame) for frame in frames],
    )


@remembered
def integrate_job(plan: ProjectPlan, channel: str) -> str:
    """Job of integrating a channel."""
    frames, merged = plan.lights(channel), plan.lights_merged(channel)
    nights = plan.nights_alone(channel)
    alone = set(nights)
    others = [frame for frame in frames if frame.night in alone]
    below = [
        assess_job(plan, channel),
        *cosmic_rays_jobs(plan, merged),
        *(integrate_night_job(plan, channel, night) for night in nights),
        solution_job(plan),
    ]
    return job_text(
        plan,
        "integrate",
        {"integration": _combining(plan, channel)},
        below,
        target=_names(frame.target for frame in frames) or plan.loaded.project.title,
        filter=_names(frame.filter for frame in frames),
        wavelength_nm=plan.loaded.project.channels[channel].wavelength_nm,
        equipment=plan.loaded.equipment.model_dump(exclude_none=True),
        notes=[note.row for note in plan.matched.notes if note.concerns(channel)],
        **about_channel(plan, channel, frames),
        nights=nights,
        sections=_distinct(sections_of(frame) for frame in others),
        subs=[sub_facts(plan, frame) for frame in merged],
    )


def _combining(plan: ProjectPlan, channel: str) -> dict[str, Any]:
    """Settings for combining the subs of a channel, with what "auto" comes to."""
    cleaned = "always" if channel in plan.cleaned_channels else "never"
    settings = part(plan.loaded.recipe.integration, Stacking)
    return settings | {"single_frame_cosmic_rays": cleaned}


def about_channel(plan: ProjectPlan, channel: str, frames: Sequence[Frame]) -> dict[str, Any]:
    """Facts of a channel for combining some of its lights."""
    return {
        "channel": channel,
        "unit": _unit(plan, frames),
        "calibrated": plan.loaded.project.calibrated,
        "lone_pixels": _searches_lone_pixels(plan, channel),
        "camera": camera_facts(plan),
    }


def _distinct(rows: Iterable[dict[str, Any]]) -> list[dict[str, Any]]:
    """Return different rows once, in a fixed order."""
    return [json.loads(text) for text in sorted({canonical(row) for row in rows})]


@remembered
def register_sub_job(plan: ProjectPlan, channel: str, sub_id: str) -> str:
    """Job of writing one registered sub."""
    frame = plan.by_id[sub_id]
    return job_text(
        plan,
        "register_sub",
        {},
        [assess_job(plan, channel), *cosmic_rays_jobs(plan, [frame]), solution_job(plan)],
        channel=channel,
        camera=camera_facts(plan),
        sub=sub_facts(plan, frame),
        unit=_unit(plan, plan.lights(channel)),
        calibrated=plan.loaded.project.calibrated,
        lone_pixels=_searches_lone_pixels(plan, channel),
        alone=frame.night in plan.nights_alone(channel),
    )


@remembered
def subs_job(plan: ProjectPlan) -> str:
    """Job of the table of subs."""
    unused = [
        {
            "id": frame.id,
            "name": frame.name,
            "why": frame.left_out.why,
            "facts": frame.left_out.named,
        }
        for frame in plan.frames
        if frame.left_out is not None
    ]
    below = [integrate_job(plan, name) for name in plan.channels]
    return job_text(plan, "list_subs", {}, below, channels=list(plan.channels), unused=unused)


def _searches_lone_pixels(plan: ProjectPlan, channel: str) -> bool:
    """Return whether to search for cosmic rays in pixels covered by a single sub."""
    settings = plan.loaded.recipe.integration
    wanted = settings.single_frame_cosmic_rays != "never" and settings.clip != "none"
    return wanted and channel not in plan.cleaned_channels


def _names(names: Iterable[str]) -> str:
    """Join distinct names."""
    return ", ".join(sorted({name for name in names if name}))


def _unit(plan: ProjectPlan, frames: Sequence[Frame]) -> str:
    """Unit of the channel integrated from these lights."""
    if not plan.loaded.project.calibrated:
        return "electron/s"
    units = sorted({frame.unit for frame in frames})
    return units[0] if len(units) == 1 and units[0] else "adu"
