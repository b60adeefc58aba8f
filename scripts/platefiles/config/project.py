"""Models of a project and of its equipment, and what a loaded project holds."""

import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import Field, StringConstraints, ValidationError, WrapValidator, model_validator
from pydantic_core import PydanticCustomError

from platefiles.config.recipe import Recipe
from platefiles.config.star_archives import CATALOGUES, PublishedCatalogue
from platefiles.settings.field import Pointing
from platefiles.settings.model import Settings, Switch

NAME_PATTERN = r"^[a-z0-9][a-z0-9_-]{0,39}$"
"""What projects, recipes and equipment may be called."""

CHANNEL_PATTERN = r"^[a-z0-9_]{1,20}$"
"""What channels may be called."""


def _header_value(value: Any, handler: Any) -> Any:
    try:
        return handler(value)
    except ValidationError:
        kind, msg = "header_value", "Input should be text, a number, true or false"
        raise PydanticCustomError(kind, msg) from None


Text = Annotated[str, StringConstraints(min_length=1)]
Title = Annotated[str, StringConstraints(min_length=1, max_length=200)]
ChannelName = Annotated[str, StringConstraints(pattern=CHANNEL_PATTERN)]
FileName = Annotated[str, StringConstraints(pattern=NAME_PATTERN)]
Keyword = Annotated[str, StringConstraints(pattern=r"^[A-Z0-9_-]{1,8}$")]
HeaderValue = Annotated[str | int | float | bool, WrapValidator(_header_value)]
Masters = Literal["auto", "none"]

PICTURE_KEYS = (
    "title", "mapping", "colour", "geometry", "stretch", "finish", "files", "web_px",
)  # fmt: skip
"""What one picture of a project may have otherwise than the others."""


class Channel(Settings):
    """One channel of a project: the subs of one filter."""

    filters: list[Text] = Field(min_length=1)
    """Values of FILTER in the headers; other common spellings of the same filter also match."""
    wavelength_nm: float | None = Field(default=None, ge=100, le=30_000)
    """Central wavelength of the filter, in nanometres."""
    bias: Masters = "auto"
    """'none' switches off the bias correction of this channel's subs."""
    dark: Masters = "auto"
    """'none' switches off the dark correction of this channel's subs."""
    flat: Masters = "auto"
    """'none' switches off the flat correction of this channel's subs."""


class Site(Settings):
    """The position of the telescope."""

    latitude_deg: float = Field(ge=-90, le=90)
    """Latitude in degrees, north positive."""
    longitude_deg: float = Field(ge=-180, le=180)
    """Longitude in degrees, east positive."""
    elevation_m: float = Field(default=0.0, ge=-500, le=9000)
    """Height above the sea, in metres."""


class Equipment(Settings):
    """Facts on camera and telescope; they override the headers."""

    camera: str | None = None
    """Name of the camera, for the record."""
    telescope: str | None = None
    """Name of the telescope, for the record."""
    gain_e_per_adu: float | None = Field(default=None, gt=0, le=1000)
    """Gain of the camera, in electrons per ADU."""
    read_noise_e: float | None = Field(default=None, ge=0, le=1000)
    """Read noise of one pixel, in electrons."""
    saturation_adu: float | None = Field(default=None, gt=0)
    """Saturation level, in ADU: stars with a pixel above it are not measured reliably."""
    pixel_size_um: float | None = Field(default=None, gt=0, le=1000)
    """Side of a pixel, in micrometres, without binning."""
    focal_length_mm: float | None = Field(default=None, gt=0, le=100_000)
    """Focal length of the telescope with its reducer or Barlow lens, in millimetres."""
    site: Site | None = None
    """Position of the telescope; nights are split at local noon."""


class Sky(Pointing):
    """The position of the target on the sky, if headers lack it or are wrong."""

    catalogue: Text | None = None
    """A published catalogue by name, or a table of stars (CSV, ECSV, VOTable) by its path."""
    cone_search: Text | None = None
    """URL of a VO cone search, from which the stars of the field are fetched once."""
    objects: Text | None = None
    """Table of objects (CSV with name, ra_deg and dec_deg), relative to this file."""
    overlays: dict[FileName, Text] = {}
    """Images of the same sky to compare with, by name: FITS with world coordinates."""

    @model_validator(mode="after")
    def _check(self) -> "Sky":
        if (self.ra_deg is None) != (self.dec_deg is None):
            msg = "ra_deg and dec_deg belong together: give both or neither"
            raise ValueError(msg)
        if self.catalogue is not None and self.cone_search is not None:
            msg = "give a catalogue or a cone_search, not both"
            raise ValueError(msg)
        if self.cone_search is not None and not re.match(r"https?://", self.cone_search):
            msg = "cone_search must be a URL that begins with http:// or https://"
            raise ValueError(msg)
        return self

    @property
    def published(self) -> PublishedCatalogue | None:
        """The published catalogue that `catalogue` names; None if it is a path."""
        return CATALOGUES.get(self.catalogue or "")


class Lights(Settings):
    """The lights of the raw folders that belong to the project; by default all."""

    objects: list[Text] = []
    """Values of OBJECT in the headers of the project's lights, in any common spelling."""
    ra_deg: float | None = Field(default=None, ge=0, lt=360)
    """Right ascension, in degrees, near which the lights of the project point."""
    dec_deg: float | None = Field(default=None, ge=-90, le=90)
    """Declination, in degrees, near which the lights of the project point."""
    radius_deg: float | None = Field(default=None, gt=0, le=180)
    """Largest distance, in degrees, of the pointing in a header from that position."""

    @model_validator(mode="after")
    def _check(self) -> "Lights":
        given = [value is not None for value in (self.ra_deg, self.dec_deg, self.radius_deg)]
        if any(given) and not all(given):
            msg = "ra_deg, dec_deg and radius_deg belong together: give all or none"
            raise ValueError(msg)
        return self


class Project(Settings):
    """One target: where its frames lie, its channels, and how they are processed."""

    title: Title
    """Name of the target in the picture and its record."""
    raw: list[Text] = Field(min_length=1)
    """Folders of raw frames with their subfolders, relative to this file, or s3://bucket/prefix."""
    recipe: FileName
    """Name of the recipe: the file config/recipes/NAME.yaml."""
    equipment: FileName | None = None
    """Name of the equipment: the file config/equipment/NAME.yaml."""
    calibrated: Switch = False
    """The frames are already calibrated: use them unchanged and keep their unit."""
    reference: str | None = None
    """File name of the sub that sets position and rotation of the picture; by default the best."""
    only_if_named: Switch = False
    """Skip the project when all projects are run; run it only if it is named."""
    sky: Sky = Sky()
    """Position of the target on the sky, and the star catalogue for its astrometric solution."""
    channels: dict[ChannelName, Channel] = Field(min_length=1)
    """Channels by name: the subs of one filter each."""
    lights: Lights = Lights()
    """Which lights of the raw folders belong to the project, if the folders hold others too."""
    exclude: list[Text] = []
    """Patterns of files to leave out, such as 'clouds/*'."""
    header_fixes: dict[str, dict[Keyword, HeaderValue]] = {}
    """Header values to correct, by file pattern and keyword."""
    keep_subs: list[Literal["calibrated", "registered"]] = []
    """Subs to write to disk: calibrated, or registered on the grid."""
    overrides: dict[str, Any] = {}
    """Settings of the recipe to change for this project."""
    pictures: dict[FileName, dict[str, Any] | None] = {}
    """Further pictures of the same channels by name, each with its changed settings."""


@dataclass(frozen=True)
class Picture:
    """One picture of a project: its name, title and recipe.

    Attributes
    ----------
    name : str
        Name of its files without ending.
    title : str
        Title of the picture.
    recipe : Recipe
        Its settings; those on channels are the project's.
    """

    name: str
    title: str
    recipe: Recipe


@dataclass(frozen=True)
class LoadedProject:
    """A project with its recipe, equipment and paths, checked.

    Attributes
    ----------
    name : str
        Name of the file without ``.yaml``.
    path : Path
        The project's file, absolute.
    project : Project
        Its content.
    recipe : Recipe
        The recipe with the project's overrides applied.
    recipe_name : str
        Name of the recipe's file without ``.yaml``.
    equipment : Equipment
        Camera and telescope; all facts are None if the project names no equipment.
    raw_folders : tuple of Path or str
        Raw folders, absolute, and prefixes in object storage, in the order of the file.
    lock_path : Path
        Lock file with the pinned grid: ``NAME.lock.yaml`` beside the project's file.
    star_path : Path or None
        Absolute path of the project's star catalogue: the user's table, or the table fetched from
        an archive (`fetched_star_path`), which may not exist yet.
    further : mapping of str to Picture
        Pictures in addition to the recipe's.
    objects_path : Path or None
        Absolute path of the user's table of objects.
    overlay_paths : mapping of str to Path
        Absolute paths of the user's images for comparison, by name.
    """

    name: str
    path: Path
    project: Project
    recipe: Recipe
    recipe_name: str
    equipment: Equipment
    raw_folders: tuple[Path | str, ...]
    lock_path: Path
    star_path: Path | None = None
    further: Mapping[str, Picture] = field(default_factory=dict)

    @property
    def pictures(self) -> dict[str, Picture]:
        """All pictures by name, the recipe's first."""
        own = Picture(self.recipe_name, self.project.title, self.recipe)
        return {own.name: own, **self.further}

    def fetched_star_path(self, catalogue: str | None = None) -> Path | None:
        """Return the path of the fetched stars; None if the project uses no archive.

        Parameters
        ----------
        catalogue : str, optional
            A published catalogue that counts where the project names no stars.
        """
        return fetched_star_path(self.path, self.project.sky, catalogue)

    objects_path: Path | None = None
    overlay_paths: Mapping[str, Path] = field(default_factory=dict)


def fetched_star_path(path: Path, sky: Sky, catalogue: str | None = None) -> Path | None:
    """Return the path of a project's fetched stars, beside its file.

    Parameters
    ----------
    path : Path
        The project's file.
    sky : Sky
    catalogue : str, optional
        A published catalogue that counts where the project names no stars.

    Returns
    -------
    Path or None
        ``NAME.stars.vot`` for a cone search; a file per published catalogue, such as
        ``NAME.gaia-dr3.vot``. None if the project uses no archive.
    """
    published = sky.published
    if published is None and sky.catalogue is None:
        published = CATALOGUES.get(catalogue or "")
    if sky.cone_search is not None:
        kind = "stars"
    elif published is not None:
        kind = published.name
    else:
        return None
    return path.with_name(f"{path.name.removesuffix('.yaml')}.{kind}.vot")
