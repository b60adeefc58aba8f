"""Jobs of the frames of channels, and of their animations."""

from platefiles.plan.calibration_jobs import cosmic_rays_jobs, sub_facts
from platefiles.plan.channel_jobs import about_channel, assess_job
from platefiles.plan.grid_jobs import solution_job
from platefiles.plan.job_text import job_text, remembered
from platefiles.plan.project_plan import ProjectPlan


@remembered
def draw_blink_job(plan: ProjectPlan, channel: str) -> str:
    """Job of drawing the frames of a channel."""
    frames = plan.lights(channel)
    return job_text(
        plan,
        "draw_blink",
        {},
        [assess_job(plan, channel), *cosmic_rays_jobs(plan, frames), solution_job(plan)],
        nights=plan.nights_alone(channel),
        **about_channel(plan, channel, frames),
        subs=[sub_facts(plan, frame) for frame in frames],
    )


@remembered
def encode_blink_job(plan: ProjectPlan, channel: str) -> str:
    """Job of encoding the frames of a channel as an animation."""
    below = [draw_blink_job(plan, channel)]
    title = plan.loaded.project.title
    return job_text(plan, "encode_blink", {}, below, title=title, channel=channel)
