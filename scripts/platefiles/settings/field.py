"""What is told of a field, and drawn over its picture."""

from pydantic import Field

from platefiles.settings.model import Settings


class Pointing(Settings):
    """Where a field lies on the sky and how large its pixels are, as far as the user says."""

    ra_deg: float | None = Field(default=None, ge=0, lt=360)
    """Right ascension of the middle of the field in degrees, right within a degree."""
    dec_deg: float | None = Field(default=None, ge=-90, le=90)
    """Declination of the middle of the field in degrees, right within a degree."""
    scale_arcsec: float | None = Field(default=None, gt=0, le=3600)
    """Side of a pixel of the subs in arc seconds, right within 15 %."""


class Depth(Settings):
    """What is told of the depth of a channel."""

    surface_brightness: float = Field(default=25.0, ge=5, le=40)
    """Surface whose signal-to-noise is told, in magnitudes a square arc second."""


class Annotation(Settings):
    """What is drawn over the picture."""

    stars_to_mag: float = Field(default=11.0, ge=-2, le=30)
    """Stars of the catalogue are labelled down to this magnitude."""
    extended_sources: int = Field(default=20, ge=0, le=1000)
    """So many extended sources that no catalogue has are marked, the most significant first."""
