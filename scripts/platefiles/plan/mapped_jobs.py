"""Jobs between integrated channels and pictures: gradient, PSF matching, continuum."""

from platefiles.plan.channel_jobs import integrate_job
from platefiles.plan.job_text import job_text, part, remembered
from platefiles.plan.picture_channels import line_channels, line_pair, matched_channels
from platefiles.plan.project_plan import ProjectPlan
from platefiles.settings.measure import StarSearch


@remembered
def sky_job(plan: ProjectPlan, channel: str) -> str:
    """Job of modelling a channel's sky."""
    recipe = plan.loaded.recipe
    settings = {
        "gradient": recipe.gradient.model_dump(),
        "measure": part(recipe.measure, StarSearch),
    }
    return job_text(
        plan, "subtract_gradient", settings, [integrate_job(plan, channel)], channel=channel
    )


def seeing_job(plan: ProjectPlan) -> str:
    """Job of the table of the widths of stars."""
    below = [sky_job(plan, name) for name in plan.channels]
    return job_text(plan, "list_seeing", {}, below, channels=list(plan.channels))


@remembered
def match_job(plan: ProjectPlan, channel: str) -> str:
    """Job of matching a channel's PSF to those of the others."""
    others = matched_channels(plan)
    below = [job(plan, name) for name in others for job in (integrate_job, sky_job)]
    return job_text(plan, "match_channel", {}, below, channel=channel, channels=others)


@remembered
def line_job(plan: ProjectPlan, channel: str) -> str:
    """Job of subtracting the continuum from a narrowband channel."""
    choice, pair = plan.loaded.recipe.continuum[channel], line_pair(plan, channel)
    below = [flat_job(plan, name) for name in pair] + [sky_job(plan, name) for name in pair]
    settings = {"continuum": {channel: choice.model_dump()}}
    return job_text(plan, "subtract_continuum", settings, below, channel=channel)


def flat_job(plan: ProjectPlan, channel: str) -> str:
    """Job of the image of a channel before continuum subtraction."""
    if plan.loaded.recipe.seeing.match:
        return match_job(plan, channel)
    return integrate_job(plan, channel)


def mapped_job(plan: ProjectPlan, channel: str) -> str:
    """Job of the image of a channel used in the picture."""
    return line_job(plan, channel) if channel in line_channels(plan) else flat_job(plan, channel)
