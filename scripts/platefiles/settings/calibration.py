"""How masters are made, and which frames they serve."""

from pydantic import Field

from platefiles.settings.model import Settings, Switch


class MasterClipping(Settings):
    """How frames are combined to a master."""

    clip_sigma: float = Field(default=4.0, ge=1, le=100)
    """Pixels further than this many sigma from the others are left out of a master."""


class DarkMaster(MasterClipping):
    """How darks are combined, and which of their pixels are masked."""

    hot_pixel_sigma: float = Field(default=8.0, ge=1, le=1000)
    """Pixels whose dark current stands out by this many sigma are masked."""


class FlatMaster(MasterClipping):
    """How flats are combined, and which of their pixels are masked."""

    dead_pixel_response: float = Field(default=0.5, ge=0, le=1)
    """Pixels that see less than this fraction of the flat's light are masked."""


class Calibration(DarkMaster, FlatMaster):
    """How raw subs are freed of bias, dark current and uneven light."""

    temperature_tolerance_c: float = Field(default=2.0, ge=0, le=50)
    """Largest difference in sensor temperature between a sub and its darks, in degrees C."""
    exposure_tolerance: float = Field(default=0.02, ge=0, le=1)
    """Largest difference in exposure between a sub and its darks, as a fraction."""
    scale_darks: Switch = False
    """Scale a dark to the exposure of the sub; needs bias frames."""
    min_flats: int = Field(default=5, ge=1, le=1000)
    """With fewer flats on one night, the nights of the channel are pooled."""
