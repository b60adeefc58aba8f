"""Sets of frames, files and channels that depend on the data of a project.

Each is a function of a plan and of the wildcards of a job. What depends on the wildcards alone
stands in the rules as a path.
"""

import os

from platefiles.core.errors import UserError
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


def merged_frames(plan: ProjectPlan, wildcards) -> list[Frame]:
    """Lights of a channel whose nights are not integrated on their own."""
    return plan.lights_merged(wildcards.channel)


def nights_alone(plan: ProjectPlan, channel: str) -> list[str]:
    """Nights of a channel that are integrated on their own."""
    return plan.nights_alone(channel)


def frame_of_sub(plan: ProjectPlan, wildcards) -> list[Frame]:
    """One light."""
    return [plan.by_id[wildcards.sub]]


def grid_frame(plan: ProjectPlan, wildcards) -> list[Frame]:
    """The reference sub; none until it is chosen."""
    return [] if plan.pinned is None else [plan.by_id[plan.pinned.reference]]


def masters_below(plan: ProjectPlan, wildcards) -> list[str]:
    """Masters that a master needs first."""
    return plan.masters_below(wildcards.master)


def masters_of_night(plan: ProjectPlan, wildcards) -> list[str]:
    """Masters of the lights of a channel's night."""
    return plan.masters_of(frames_of_night(plan, wildcards))


def masters_of_channel(plan: ProjectPlan, wildcards) -> list[str]:
    """Masters of the lights of a channel."""
    return plan.masters_of(frames_of_channel(plan, wildcards))


def merged_masters(plan: ProjectPlan, wildcards) -> list[str]:
    """Masters of these lights."""
    return plan.masters_of(merged_frames(plan, wildcards))


def masters_of_sub(plan: ProjectPlan, wildcards) -> list[str]:
    """Masters of one light."""
    return plan.masters_of(frame_of_sub(plan, wildcards))


def rays_of_channel(plan: ProjectPlan, wildcards) -> list[str]:
    """Cosmic rays on the lights of a channel; none if it is not cleaned sub by sub."""
    return plan.rays_of(frames_of_channel(plan, wildcards))


def merged_rays(plan: ProjectPlan, wildcards) -> list[str]:
    """Cosmic rays on these lights; none if the channel is not cleaned sub by sub."""
    return plan.rays_of(merged_frames(plan, wildcards))


def rays_of_night(plan: ProjectPlan, wildcards) -> list[str]:
    """Cosmic rays on the lights of a channel's night."""
    return plan.rays_of(frames_of_night(plan, wildcards))


def rays_of_sub(plan: ProjectPlan, wildcards) -> list[str]:
    """Cosmic rays on the lights of one light's night."""
    return plan.rays_of(frame_of_sub(plan, wildcards))


def all_channels(plan: ProjectPlan, wildcards) -> list[str]:
    """Channels that have lights."""
    return list(plan.channels)


def line_pair(plan: ProjectPlan, wildcards) -> list[str]:
    """A narrowband channel and its continuum channel."""
    if wildcards.channel not in picture_channels.line_channels(plan):
        known = ", ".join(picture_channels.line_channels(plan)) or "none"
        msg = (
            f"project {plan.loaded.name} takes no starlight out of channel "
            f"'{wildcards.channel}'; its recipe names {known} (continuum)"
        )
        raise UserError(msg)
    return picture_channels.line_pair(plan, wildcards.channel)


def line_images(plan: ProjectPlan, wildcards) -> list[str]:
    """Images of a narrowband channel and of its continuum channel."""
    pair = line_pair(plan, wildcards)
    return [picture_channels.flat_path(plan, channel) for channel in pair]


def uneven_channels(plan: ProjectPlan, wildcards) -> list[str]:
    """Channels of a picture without gradient subtraction."""
    return picture_channels.uneven_of(plan, wildcards.picture)


def mapped_images(plan: ProjectPlan, wildcards) -> list[str]:
    """Images of the channels of a picture."""
    channels = picture_channels.channels_of(plan, wildcards.picture)
    return [picture_channels.mapped_path(plan, channel) for channel in channels]


def shown_display_images(plan: ProjectPlan, wildcards) -> list[str]:
    """Display values of all pictures, for the contact sheet."""
    return [plan.paths.display_image(name) for name in picture_channels.shown_pictures(plan)]


def matched_channels(plan: ProjectPlan, wildcards) -> list[str]:
    """PSF-matched channels, including the job's own."""
    found = picture_channels.matched_channels(plan)
    if wildcards.channel not in found:
        msg = (
            f"project {plan.loaded.name} matches no channel '{wildcards.channel}', which no "
            f"picture shows; it matches {', '.join(found)}"
        )
        raise UserError(msg)
    return found


def shown_display_image(plan: ProjectPlan, wildcards) -> str:
    """Display values of the picture for annotation and for comparison with the user's images."""
    return plan.paths.shown_display_image


def shown_linear_image(plan: ProjectPlan, wildcards) -> str:
    """Linear image of that picture."""
    return plan.paths.recipe_linear_image


def star_catalogue(plan: ProjectPlan, wildcards) -> str | None:
    """The user's star catalogue, if there is one."""
    return plan.star_path


def object_list(plan: ProjectPlan, wildcards) -> str | None:
    """The user's list of objects, if there is one."""
    return plan.objects_path


def overlaid_image(plan: ProjectPlan, wildcards) -> str | None:
    """The user's image for comparison with the picture."""
    return os.fspath(plan.loaded.overlay_paths[wildcards.image])


def kept_subs(plan: ProjectPlan, wildcards) -> list[str]:
    """Stored subs of a project, calibrated or registered."""
    return [
        plan.paths.stored_sub(kind, channel, frame.id)
        for kind in plan.loaded.project.keep_subs
        for channel in plan.channels
        for frame in plan.lights(channel)
    ]


def picture_files(plan: ProjectPlan, wildcards) -> list[str]:
    """Files of all pictures."""
    return picture_channels.all_picture_files(plan)


def source_lists(plan: ProjectPlan, wildcards) -> list[str]:
    """Lists of sources for other programs."""
    return plan.paths.source_lists


def annotated_files(plan: ProjectPlan, wildcards) -> list[str]:
    """The annotated picture and the drawing alone; none without a picture."""
    return plan.paths.annotated_files


def overlay_files(plan: ProjectPlan, wildcards) -> list[str]:
    """Images of the user's beside the picture; none without a picture."""
    return list(plan.paths.overlay_files.values())


def animations(plan: ProjectPlan, wildcards) -> list[str]:
    """Animations of the subs of all channels."""
    return [path for channel in plan.channels for path in plan.paths.animations(channel)]
