"""Jobs of registered and integrated channels."""

from collections.abc import Iterable, Sequence

from platefiles.frames.frame import Frame
from platefiles.plan.calibration_jobs import (
    camera_facts,
    cosmic_rays_jobs,
    measure_stars_job,
    sub_facts,
)
from platefiles.plan.grid_jobs import channel_pins, solution_job
from platefiles.plan.job_text import job_text, part, remembered
from platefiles.plan.project_plan import ProjectPlan
from platefiles.settings.integration import Levelling, Stacking


@remembered
def register_job(plan: ProjectPlan, channel: str) -> str:
    """Job of registering a channel."""
    recipe = plan.loaded.recipe
    settings = {
        "registration": recipe.registration.model_dump(),
        "quality": recipe.quality.model_dump(),
        "integration": part(recipe.integration, Levelling),
    }
    calibrated = plan.loaded.project.calibrated
    below = [measure_stars_job(plan, channel, night) for night in plan.nights(channel)]
    return job_text(
        plan,
        "register",
        settings,
        below,
        channel=channel,
        calibrated=calibrated,
        pins=channel_pins(plan, channel),
    )


@remembered
def integrate_job(plan: ProjectPlan, channel: str) -> str:
    """Job of integrating a channel."""
    settings = part(plan.loaded.recipe.integration, Stacking) | {
        "single_frame_cosmic_rays": "always" if channel in plan.cleaned_channels else "never"
    }
    facts = plan.loaded.project.channels[channel]
    frames = plan.lights(channel)
    return job_text(
        plan,
        "integrate",
        {"integration": settings},
        [register_job(plan, channel), *cosmic_rays_jobs(plan, frames), solution_job(plan)],
        channel=channel,
        target=_names(frame.target for frame in frames) or plan.loaded.project.title,
        filter=_names(frame.filter for frame in frames),
        wavelength_nm=facts.wavelength_nm,
        unit=_unit(plan, frames),
        calibrated=plan.loaded.project.calibrated,
        lone_pixels=_searches_lone_pixels(plan, channel),
        camera=camera_facts(plan),
        equipment=plan.loaded.equipment.model_dump(exclude_none=True),
        notes=[note.row for note in plan.matched.notes if note.concerns(channel)],
        subs=[sub_facts(plan, frame) for frame in frames],
    )


@remembered
def register_sub_job(plan: ProjectPlan, channel: str, sub_id: str) -> str:
    """Job of writing one registered sub."""
    frame = plan.by_id[sub_id]
    return job_text(
        plan,
        "register_sub",
        {},
        [register_job(plan, channel), *cosmic_rays_jobs(plan, [frame]), solution_job(plan)],
        channel=channel,
        camera=camera_facts(plan),
        sub=sub_facts(plan, frame),
        unit=_unit(plan, plan.lights(channel)),
        calibrated=plan.loaded.project.calibrated,
        lone_pixels=_searches_lone_pixels(plan, channel),
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
