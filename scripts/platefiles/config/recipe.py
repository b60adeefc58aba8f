"""Models of a recipe: how subs become a picture, shared by many projects.

The descriptions are shown by editors through the generated JSON schema. Imports stay light,
because this module is loaded each time that Snakemake reads its rules.
"""

from typing import Annotated, Literal

from pydantic import Field

from platefiles.settings.calibration import Calibration
from platefiles.settings.channels import Continua, Seeing
from platefiles.settings.colour import Colour, Mapping
from platefiles.settings.field import Annotation, Depth
from platefiles.settings.gradient import Gradient
from platefiles.settings.integration import Integration
from platefiles.settings.measure import Measure
from platefiles.settings.model import Settings
from platefiles.settings.picture import Finish, Geometry, Stretch
from platefiles.settings.registration import Quality, Registration


class Recipe(Settings):
    """Settings shared by many projects."""

    description: str = ""
    """What the recipe is for, in a sentence."""
    mapping: Mapping
    """Which channels make which output colour."""
    calibration: Calibration = Calibration()
    """How raw subs are freed of bias, dark current and uneven light."""
    measure: Measure = Measure()
    """How stars and sky of each sub are measured."""
    quality: Quality = Quality()
    """Which subs are too poor to be used."""
    registration: Registration = Registration()
    """How subs are laid on each other."""
    integration: Integration = Integration()
    """How the subs of a channel become one image."""
    gradient: Gradient = Gradient()
    """How the gradient of a channel's sky is taken out."""
    seeing: Seeing = Seeing()
    """What is done about channels whose stars differ in width."""
    continuum: Continua = {}
    """Narrowband channels, by name, whose starlight is taken out before the mapping."""
    colour: Colour = Colour()
    """How the colours are balanced."""
    geometry: Geometry = Geometry()
    """Place, turn and size of the picture."""
    stretch: Stretch = Stretch()
    """How faint light is lifted."""
    finish: Finish = Finish()
    """Steps that please the eye beyond what the data say."""
    depth: Depth = Depth()
    """What is told of the depth of a channel."""
    annotation: Annotation = Annotation()
    """What is drawn over the picture."""
    files: list[Literal["png", "tif", "jpg"]] = ["png", "tif", "jpg"]
    """Picture files to write; the linear FITS image is always written."""
    web_px: list[Annotated[int, Field(ge=16, le=20_000)]] = []
    """Longer sides of smaller JPEG pictures to write as well, in pixels."""
