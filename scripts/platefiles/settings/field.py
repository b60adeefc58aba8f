"""Position, depth report and annotations of a field."""

from pydantic import Field

from platefiles.settings.model import Settings


class Pointing(Settings):
    """Where a field lies on the sky and how large its pixels are, as far as the user says."""

    ra_deg: float | None = Field(default=None, ge=0, lt=360)
    """Right ascension of the centre of the field in degrees, correct within a degree."""
    dec_deg: float | None = Field(default=None, ge=-90, le=90)
    """Declination of the centre of the field in degrees, correct within a degree."""
    scale_arcsec: float | None = Field(default=None, gt=0, le=3600)
    """Side of a pixel of the subs in arc seconds, correct within 15 %."""


class Depth(Settings):
    """Report on the depth of a channel."""

    surface_brightness: float = Field(default=25.0, ge=5, le=40)
    """Surface brightness whose signal-to-noise is reported, in magnitudes per square arc second."""


class Annotation(Settings):
    """Annotations of the picture."""

    stars_to_mag: float = Field(default=11.0, ge=-2, le=30)
    """Catalogue stars are labelled down to this magnitude."""
    extended_sources: int = Field(default=20, ge=0, le=1000)
    """Number of extended sources without a catalogue match to mark, most significant first."""
