"""Combination and matching of masters."""

from pydantic import Field

from platefiles.settings.model import Settings, Switch


class MasterClipping(Settings):
    """Settings for combining frames to a master."""

    clip_sigma: float = Field(default=4.0, ge=1, le=100)
    """Rejection limit for the pixels of a master, in sigma."""


class DarkMaster(MasterClipping):
    """Settings for combining darks and masking their pixels."""

    hot_pixel_sigma: float = Field(default=8.0, ge=1, le=1000)
    """Pixels whose dark current exceeds their neighbours' by this many sigma are masked."""


class FlatMaster(MasterClipping):
    """Settings for combining flats and masking their pixels."""

    dead_pixel_response: float = Field(default=0.5, ge=0, le=1)
    """Pixels with a flat value below this fraction of their neighbours' are masked."""


class Calibration(DarkMaster, FlatMaster):
    """Bias, dark and flat correction."""

    temperature_tolerance_c: float = Field(default=2.0, ge=0, le=50)
    """Largest difference in sensor temperature between a sub and its darks, in degrees C."""
    exposure_tolerance: float = Field(default=0.02, ge=0, le=1)
    """Largest difference in exposure between a sub and its darks, as a fraction."""
    scale_darks: Switch = False
    """Scale a dark to the exposure of the sub; needs bias frames."""
    min_flats: int = Field(default=5, ge=1, le=1000)
    """A night with fewer flats uses the flats of all nights of the channel."""
