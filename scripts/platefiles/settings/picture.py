"""From a linear image to a picture."""

from typing import Literal

from pydantic import Field

from platefiles.settings.model import Settings


class Framing(Settings):
    """Turn and size of a picture."""

    position_angle_deg: float | None = Field(default=None, ge=-360, le=360)
    """Angle of the picture's upward direction from north through east; 0 puts north up."""
    scale: float = Field(default=1.0, ge=0.05, le=4)
    """Picture pixels per channel pixel, along a line."""


class Crop(Settings):
    """Which part of a linear image is drawn."""

    crop: Literal["common", "none"] = "common"
    """'common' crops to the pinned part that all channels cover; 'none' shows the whole grid."""


class Geometry(Framing, Crop):
    """Place, turn and size of the picture; light is sampled at most once for all of them."""


class Tone(Settings):
    """Level of the sky, black, white, and how highlights are rolled off."""

    sky_level: float = Field(default=0.09, gt=0, le=0.5)
    """Brightness of the sky in the finished picture, from 0 (black) to 1 (white)."""
    black_sigma: float = Field(default=2.5, gt=0, le=100)
    """Distance of black below the sky, in sigma: lower brightens faint light, and noise."""
    white_clip_fraction: float = Field(default=0.0005, ge=0, le=0.1)
    """Fraction of pixels above white on the curve: higher brightens the rest."""
    shoulder: float = Field(default=0.8, gt=0, le=1)
    """Brightness from which highlights are compressed, so that cores keep shape; 1 clips them."""


class Stretch(Tone):
    """The stretch of faint light (asinh of Lupton et al. 2004, PASP 116, 133)."""

    saturation: float = Field(default=1.0, ge=0, le=4)
    """Strength of the colours: 0 grey, 1 unchanged."""
    colour_smoothing_px: float = Field(default=2.0, ge=0, le=20)
    """Radius over which colours of faint light are averaged, in pixels; 0 switches it off."""
    max_chroma_gain: float = Field(default=2.0, ge=1, le=100)
    """Largest factor by which chroma grows where luminance brightens a pixel."""


class Finish(Settings):
    """Steps that please the eye beyond what the data say; each that is taken is recorded."""

    deconvolution: float = Field(default=0.0, ge=0, le=1)
    """Fraction of brightness deconvolved with the measured PSF, where signal is high."""
    colour_denoise: float = Field(default=0.0, ge=0, le=1)
    """Strength of noise reduction in the colours between edges; brightness stays unchanged."""
    local_contrast: float = Field(default=0.0, ge=0, le=1)
    """Fraction of locally equalised lightness above the sky."""
