"""The channels of pictures, and the image of each."""

from platefiles.plan.project_plan import ProjectPlan


def mapped_channels(plan: ProjectPlan) -> list[str]:
    """Channels used in any picture."""
    named = {name for picture in plan.loaded.pictures for name in channels_of(plan, picture)}
    return [name for name in plan.channels if name in named]


def channels_of(plan: ProjectPlan, picture: str) -> list[str]:
    """Channels used in a picture."""
    rows = plan.loaded.pictures[picture].recipe.mapping.rows.values()
    named = {name for row in rows for name in row}
    return [name for name in plan.channels if name in named or "*" in named]


def shown_pictures(plan: ProjectPlan) -> list[str]:
    """Names of the pictures that are written to files."""
    return [name for name, picture in plan.loaded.pictures.items() if picture.recipe.files]


def line_channels(plan: ProjectPlan) -> list[str]:
    """Channels of the picture with continuum subtraction."""
    return [name for name in mapped_channels(plan) if name in plan.loaded.recipe.continuum]


def matched_channels(plan: ProjectPlan) -> list[str]:
    """Channels with PSF matching, if requested."""
    needed = {name for line in line_channels(plan) for name in line_pair(plan, line)}
    needed |= {*mapped_channels(plan)}
    return [name for name in plan.channels if name in needed]


def uneven_of(plan: ProjectPlan, picture: str) -> list[str]:
    """Channels that a picture uses as integrated, with their gradient."""
    paths = {name: mapped_path(plan, name) for name in channels_of(plan, picture)}
    return [name for name, path in paths.items() if path == plan.paths.channel(name)]


def flat_path(plan: ProjectPlan, channel: str) -> str:
    """Path of the image of a channel before continuum subtraction."""
    matched = plan.loaded.recipe.seeing.match
    return plan.paths.matched(channel) if matched else plan.paths.channel(channel)


def line_pair(plan: ProjectPlan, channel: str) -> list[str]:
    """A narrowband channel and the channel of its continuum."""
    return [channel, plan.loaded.recipe.continuum[channel].minus]


def mapped_path(plan: ProjectPlan, channel: str) -> str:
    """Path of the image of a channel used in the picture."""
    lines = channel in line_channels(plan)
    return plan.paths.line(channel) if lines else flat_path(plan, channel)


def all_picture_files(plan: ProjectPlan) -> list[str]:
    """Paths of the files of all pictures."""
    return [path for name in plan.loaded.pictures for path in plan.paths.picture_files(name)]
