"""Files that rules make for a project, those that only a request by path makes included."""

import re

from platefiles.plan.picture_channels import matched_channels
from platefiles.plan.project_plan import ProjectPlan
from platefiles.workflow.graph import products_of

_PICTURE = re.compile(r"picture/(?P<name>[a-z0-9_-]+)\.(png|jpg|tif|[0-9]+px\.jpg)")


def can_make(plan: ProjectPlan, path: str) -> bool:
    """Say whether a rule makes a file of a project.

    Parameters
    ----------
    plan : ProjectPlan
    path : str
        Relative to the working directory.
    """
    inside = path.removeprefix(f"{plan.results}/")
    if inside == path:
        return False
    picture = _PICTURE.fullmatch(inside)
    if picture is not None and picture["name"] in plan.loaded.pictures:
        return True
    on_demand = (
        *_stored(plan, inside.partition("/")[0]),
        *(plan.paths.cosmic_rays(c, night) for c in plan.channels for night in plan.nights(c)),
        *map(plan.paths.matched, matched_channels(plan)),
    )
    return path in on_demand or path in products_of(plan)


def _stored(plan: ProjectPlan, kind: str) -> list[str]:
    """Paths at which each light can be stored, calibrated or registered."""
    if kind not in ("calibrated", "registered"):
        return []
    channels = plan.channels
    return [plan.paths.stored_sub(kind, c, frame.id) for c in channels for frame in plan.lights(c)]
