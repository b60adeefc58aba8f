"""What frames of a channel are made of, as the last run left it."""

import os

from platefiles.blink.resampled_frames import BlinkJob, Sources
from platefiles.calibration.master_library import Masters
from platefiles.core.errors import UserError
from platefiles.plan.project_plan import ProjectPlan
from platefiles.registration.registration_table import read_registration
from platefiles.subs.hit_pixels import read_hit_pixels
from platefiles.transfers.fetch import local_copies


def present_sources(plan: ProjectPlan, channel: str, job: BlinkJob) -> tuple[Sources, BlinkJob]:
    """Open the subs of a channel that the last run has registered.

    Parameters
    ----------
    plan : ProjectPlan
        The working directory must be the folder of its results.
    channel : str
    job : BlinkJob
        Of the present plan, which may have further subs.

    Returns
    -------
    sources : Sources
    job : BlinkJob
        With the registered subs alone.

    Raises
    ------
    UserError
        If a product that they need is missing.
    """
    path = plan.paths.registration(channel)
    lights = plan.lights(channel)
    needed = [path, *plan.masters_of(lights), *plan.rays_of(lights)]
    missing = [one for one in needed if not os.path.isfile(one)]
    if missing:
        more = f" and {len(missing) - 1} more" if missing[1:] else ""
        msg = (
            f"{missing[0]}{more}: not there; `platelog.py run {plan.loaded.name} --to blink` makes "
            "what frames are made of"
        )
        raise UserError(msg)
    registered, grid = read_registration(path)
    known = {row.facts["id"] for row in registered}
    own = [frame for frame in lights if frame.id in known]
    raw = local_copies([plan.paths.link(frame) for frame in own])
    subs = tuple(facts for facts in job.subs if facts["id"] in known)
    hits = read_hit_pixels(plan.rays_of(lights))
    sources = Sources(raw, Masters(plan.masters_of(lights)), registered, grid, hits)
    return sources, job.model_copy(update={"subs": subs})
