"""Jobs of pictures and of the contact sheet."""

from platefiles.config.lock_file import Part
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
    below = [linear_image_job(plan, picture)]
    return job_text(plan, "draw_picture", settings, below, part=shown_part(plan, picture))


def cropped_by(plan: ProjectPlan, picture: str) -> list[str]:
    """Channels whose pinned part of the grid crops a picture; none if it is not cropped."""
    is_cropped = plan.loaded.pictures[picture].recipe.geometry.crop == "common"
    return channels_of(plan, picture) if is_cropped else []


def shown_part(plan: ProjectPlan, picture: str) -> dict[str, list[int]] | None:
    """Return the columns and rows of the grid that a picture shows at most, from 1.

    They are common to its channels; None if none is chosen, or the picture is not cropped.
    """
    known = {} if plan.pinned is None else plan.pinned.crop or {}
    parts = [known[name] for name in cropped_by(plan, picture) if name in known]
    if not parts:
        return None
    sides = {key: [getattr(one, key) for one in parts] for key in Part._fields}
    return {
        key: [max(first for first, _ in side), min(last for _, last in side)]
        for key, side in sides.items()
    }


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
