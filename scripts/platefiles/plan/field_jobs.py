"""Jobs of astrometry, photometry, depth and sources."""

from platefiles.core.hashing import file_sha256
from platefiles.plan.channel_jobs import integrate_job
from platefiles.plan.grid_jobs import solution_job
from platefiles.plan.job_text import job_text, remembered
from platefiles.plan.picture_jobs import draw_picture_job
from platefiles.plan.project_plan import ProjectPlan


@remembered
def zero_points_job(plan: ProjectPlan) -> str:
    """Job of finding the zero points of all channels."""
    project = plan.loaded.project
    keys = {"filters", "wavelength_nm"}
    facts = [
        {"name": name, **project.channels[name].model_dump(include=keys)} for name in plan.channels
    ]
    below = [*(integrate_job(plan, name) for name in plan.channels), solution_job(plan)]
    return job_text(
        plan, "find_zero_points", {}, below, channels=facts, calibrated=project.calibrated
    )


@remembered
def depth_job(plan: ProjectPlan) -> str:
    """Job of measuring the depth of all channels."""
    return job_text(
        plan,
        "measure_depth",
        {"depth": plan.loaded.recipe.depth.model_dump()},
        [zero_points_job(plan)],
        channels=list(plan.channels),
        calibrated=plan.loaded.project.calibrated,
    )


@remembered
def sources_job(plan: ProjectPlan) -> str:
    """Job of identifying the sources of the field."""
    objects = plan.objects_path
    return job_text(
        plan,
        "identify_sources",
        {},
        [depth_job(plan)],
        channels=list(plan.channels),
        luminance=_luminance(plan),
        objects=None if objects is None else file_sha256(objects),
    )


def _luminance(plan: ProjectPlan) -> str | None:
    """Channel with the largest weight in the luminance of the picture, if any."""
    row = plan.loaded.recipe.mapping.luminance or {}
    known = [name for name in plan.channels if row.get(name, 0.0) > 0]
    return max(known, key=lambda name: row[name], default=None)


@remembered
def lists_job(plan: ProjectPlan) -> str:
    """Job of the lists of sources."""
    return job_text(plan, "list_sources", {}, [sources_job(plan)])


@remembered
def annotation_job(plan: ProjectPlan) -> str:
    """Job of annotating the picture."""
    recipe = plan.loaded.recipe
    return job_text(
        plan,
        "annotate",
        {"annotation": recipe.annotation.model_dump()},
        [sources_job(plan), draw_picture_job(plan, plan.loaded.recipe_name)],
        title=plan.loaded.project.title,
    )


@remembered
def overlay_job(plan: ProjectPlan, name: str) -> str:
    """Job of drawing the user's image beside the picture."""
    path = plan.loaded.overlay_paths[name]
    return job_text(
        plan,
        "overlay",
        {"stretch": plan.loaded.recipe.stretch.model_dump()},
        [draw_picture_job(plan, plan.loaded.recipe_name)],
        title=plan.loaded.project.title,
        image=name,
        image_sha256=file_sha256(path) if path.is_file() else None,
    )
