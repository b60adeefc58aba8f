"""From a linear image to a picture."""

from typing import Literal

from pydantic import Field

from platefiles.settings.model import Settings


class Framing(Settings):
    """Turn and size of a picture."""

    position_angle_deg: float | None = Field(default=None, ge=-360, le=360)
    """Angle of the picture's upward direction from north through east; 0 puts north up."""
    scale: float = Field(default=1.0, ge=0.05, le=4)
    """Pixels of the picture where the channels have one, along a line."""


class Crop(Settings):
    """Which part of a linear image is drawn."""

    crop: Literal["common", "none"] = "common"
    """'common' cuts off what not every channel covers; 'none' leaves it, in black."""


class Geometry(Framing, Crop):
    """Place, turn and size of the picture; light is sampled at most once for all of them."""


class Tone(Settings):
    """Level of the sky, black, white, and how highlights are rolled off."""

    sky_level: float = Field(default=0.09, gt=0, le=0.5)
    """Brightness of the sky in the finished picture, from 0 (black) to 1 (white)."""
    black_sigma: float = Field(default=2.5, gt=0, le=100)
    """Black lies this many sigma of the sky below the sky: lower lifts faint light, and noise."""
    white_clip_fraction: float = Field(default=0.0005, ge=0, le=0.1)
    """Share of the pixels above white on the curve, as a fraction: higher brightens the rest."""
    shoulder: float = Field(default=0.8, gt=0, le=1)
    """Brightness from which highlights are rolled off, so that cores keep shape; 1 cuts them."""


class Stretch(Tone):
    """How faint light is lifted (asinh of Lupton et al. 2004, PASP 116, 133)."""

    saturation: float = Field(default=1.0, ge=0, le=4)
    """Strength of the colours: 0 grey, 1 as the light gives them."""
    colour_smoothing_px: float = Field(default=2.0, ge=0, le=20)
    """Colours of faint light are averaged over about this radius, in pixels; 0 leaves them."""
    max_chroma_gain: float = Field(default=2.0, ge=1, le=100)
    """Where luminance brightens a pixel, its chroma grows in step, at most by this factor."""


class Finish(Settings):
    """Steps that please the eye beyond what the data say; each that is taken is recorded."""

    deconvolution: float = Field(default=0.0, ge=0, le=1)
    """Share of brightness deconvolved with the measured star image, where signal is high."""
    colour_denoise: float = Field(default=0.0, ge=0, le=1)
    """Strength of smoothing of the colours between edges; brightness stays as it is."""
    local_contrast: float = Field(default=0.0, ge=0, le=1)
    """Share of locally equalised lightness above the sky."""
