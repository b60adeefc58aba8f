"""Models of a recipe, the processing settings that many projects share.

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
    """Purpose of the recipe, in a sentence."""
    mapping: Mapping
    """Channels of each output colour."""
    calibration: Calibration = Calibration()
    """Bias, dark and flat correction."""
    measure: Measure = Measure()
    """Measurement of stars and sky of each sub."""
    quality: Quality = Quality()
    """Limits for the selection of subs."""
    registration: Registration = Registration()
    """Registration of subs on the grid."""
    integration: Integration = Integration()
    """Combination of the subs of a channel into one image."""
    gradient: Gradient = Gradient()
    """Subtraction of the sky gradient."""
    seeing: Seeing = Seeing()
    """PSF matching of channels."""
    continuum: Continua = {}
    """Continuum subtraction of narrowband channels, by name, before the mapping."""
    colour: Colour = Colour()
    """Colour balance."""
    geometry: Geometry = Geometry()
    """Rotation, scale and crop of the picture."""
    stretch: Stretch = Stretch()
    """Stretch of faint light."""
    finish: Finish = Finish()
    """Cosmetic steps beyond the data."""
    depth: Depth = Depth()
    """Report on the depth of a channel."""
    annotation: Annotation = Annotation()
    """Annotations of the picture."""
    files: list[Literal["png", "tif", "jpg"]] = ["png", "tif", "jpg"]
    """Picture files to write; the linear FITS image is always written."""
    web_px: list[Annotated[int, Field(ge=16, le=20_000)]] = []
    """Longer sides of additional smaller JPEG pictures, in pixels."""
