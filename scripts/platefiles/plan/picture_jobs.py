"""Jobs of pictures and of the contact sheet."""

from platefiles.frames.filters import LINES, canonical_filter
from platefiles.plan.channel_jobs import integrate_job
from platefiles.plan.grid_jobs import solution_job
from platefiles.plan.job_text import job_text, part, remembered
from platefiles.plan.mapped_jobs import mapped_job, sky_job
from platefiles.plan.picture_channels import channels_of, shown_pictures, uneven_of
from platefiles.plan.project_plan import ProjectPlan
from platefiles.settings.picture import Crop, Framing, Tone


@remembered
def linear_image_job(plan: ProjectPlan, picture: str) -> str:
    """Job of mapping channels to the colours of a picture."""
    wanted = plan.loaded.pictures[picture]
    recipe = wanted.recipe
    settings = {
        "mapping": recipe.mapping.model_dump(),
        "colour": recipe.colour.model_dump(),
        "geometry": part(recipe.geometry, Framing),
    }
    wavelengths = {name: plan.loaded.project.channels[name].wavelength_nm for name in plan.channels}
    return job_text(
        plan,
        "map_channels",
        settings,
        [
            *(mapped_job(plan, name) for name in channels_of(plan, picture)),
            *(sky_job(plan, name) for name in uneven_of(plan, picture)),
            solution_job(plan),
        ],
        channels=list(plan.channels),
        wavelengths_nm=wavelengths,
        broadband=_is_broadband(plan, picture),
    )


@remembered
def draw_picture_job(plan: ProjectPlan, picture: str) -> str:
    """Job of drawing a picture."""
    wanted = plan.loaded.pictures[picture]
    settings = {
        "stretch": wanted.recipe.stretch.model_dump(),
        "finish": wanted.recipe.finish.model_dump(),
        "geometry": part(wanted.recipe.geometry, Crop),
    }
    return job_text(plan, "draw_picture", settings, [linear_image_job(plan, picture)])


@remembered
def encode_picture_job(plan: ProjectPlan, picture: str) -> str:
    """Job of encoding the files of a picture."""
    below = [draw_picture_job(plan, picture)]
    title = plan.loaded.pictures[picture].title
    return job_text(plan, "encode_picture", {}, below, title=title)


@remembered
def sheet_job(plan: ProjectPlan) -> str:
    """Job of the contact sheet."""
    settings = {"stretch": part(plan.loaded.recipe.stretch, Tone)}
    below = [integrate_job(plan, name) for name in plan.channels]
    below += [sky_job(plan, name) for name in plan.channels]
    shown = shown_pictures(plan)
    below += [draw_picture_job(plan, name) for name in shown]
    more = {"title": plan.loaded.project.title, "pictures": shown}
    return job_text(plan, "contact_sheet", settings, below, **more)


def _is_broadband(plan: ProjectPlan, picture: str) -> bool:
    """Return whether the colours of a picture use no narrowband filter."""
    rows = plan.loaded.pictures[picture].recipe.mapping.rows
    named = {name for colour, row in rows.items() if colour != "luminance" for name in row}
    channels = plan.loaded.project.channels
    return not any(
        canonical_filter(value) in LINES
        for name, channel in channels.items()
        if name in named or "*" in named
        for value in channel.filters
    )
