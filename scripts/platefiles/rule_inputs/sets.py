"""Sets of frames, files and channels that depend on the data of a project.

Each is a function of a plan and of the wildcards of a job. What depends on the wildcards alone
stands in the rules as a path.
"""

from platefiles.frames.frame import Frame
from platefiles.plan import picture_channels
from platefiles.plan.project_plan import ProjectPlan


def frames_of_master(plan: ProjectPlan, wildcards) -> list[Frame]:
    """Frames that a master is combined from."""
    return [plan.by_id[frame_id] for frame_id in plan.masters[wildcards.master].frame_ids]


def frames_of_night(plan: ProjectPlan, wildcards) -> list[Frame]:
    """Lights of a channel's night."""
    return plan.lights(wildcards.channel, wildcards.night)


def frames_of_channel(plan: ProjectPlan, wildcards) -> list[Frame]:
    """Lights of a channel."""
    return plan.lights(wildcards.channel)


def frame_of_sub(plan: ProjectPlan, wildcards) -> list[Frame]:
    """One light."""
    return [plan.by_id[wildcards.sub]]


def masters_below(plan: ProjectPlan, wildcards) -> list[str]:
    """Masters that a master needs first."""
    return plan.masters_below(wildcards.master)


def masters_of_night(plan: ProjectPlan, wildcards) -> list[str]:
    """Masters of the lights of a channel's night."""
    return plan.masters_of(frames_of_night(plan, wildcards))


def masters_of_channel(plan: ProjectPlan, wildcards) -> list[str]:
    """Masters of the lights of a channel."""
    return plan.masters_of(frames_of_channel(plan, wildcards))


def masters_of_sub(plan: ProjectPlan, wildcards) -> list[str]:
    """Masters of one light."""
    return plan.masters_of(frame_of_sub(plan, wildcards))


def rays_of_channel(plan: ProjectPlan, wildcards) -> list[str]:
    """Cosmic rays on the lights of a channel, none where it is not cleaned sub by sub."""
    return plan.rays_of(frames_of_channel(plan, wildcards))


def rays_of_sub(plan: ProjectPlan, wildcards) -> list[str]:
    """Cosmic rays on the lights of one light's night."""
    return plan.rays_of(frame_of_sub(plan, wildcards))


def all_channels(plan: ProjectPlan, wildcards) -> list[str]:
    """Channels that have lights."""
    return list(plan.channels)


def matched_channels(plan: ProjectPlan, wildcards) -> list[str]:
    """Channels that get stars of one width."""
    return picture_channels.matched_channels(plan)


def line_pair(plan: ProjectPlan, wildcards) -> list[str]:
    """A narrowband channel and the one that shows its starlight."""
    return picture_channels.line_pair(plan, wildcards.channel)


def line_images(plan: ProjectPlan, wildcards) -> list[str]:
    """Images of a narrowband channel and of the one that shows its starlight."""
    pair = line_pair(plan, wildcards)
    return [picture_channels.flat_path(plan, channel) for channel in pair]


def uneven_channels(plan: ProjectPlan, wildcards) -> list[str]:
    """Channels of a picture that have their gradient still."""
    return picture_channels.uneven_of(plan, wildcards.picture)


def mapped_images(plan: ProjectPlan, wildcards) -> list[str]:
    """Images of the channels that a picture is made of."""
    channels = picture_channels.channels_of(plan, wildcards.picture)
    return [picture_channels.mapped_path(plan, channel) for channel in channels]


def sheet_pictures(plan: ProjectPlan, wildcards) -> list[str]:
    """One file of each picture, for the contact sheet."""
    return picture_channels.sheet_pictures(plan)


def shown_picture(plan: ProjectPlan, wildcards) -> str:
    """Picture that is drawn over, or shown beside an image of the user's."""
    return plan.paths.shown_picture


def shown_cube(plan: ProjectPlan, wildcards) -> str:
    """Linear cube of that picture, which tells its place on the sky."""
    return plan.paths.recipe_cube
