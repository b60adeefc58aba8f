"""How stars and sky of each sub are measured."""

from pydantic import Field

from platefiles.settings.model import Settings


class StarSearch(Settings):
    """How stars are found and measured."""

    detection_sigma: float = Field(default=6.0, ge=2, le=1000)
    """How far a star must stand above the noise of the sky, in sigma."""
    aperture_fwhm: float = Field(default=2.5, ge=1, le=10)
    """Radius of the circle in which a star's light is summed, in FWHM of the sub's stars."""
    max_stars: int = Field(default=2000, ge=20, le=100_000)
    """The brightest this many stars of each sub are kept."""


class Measure(StarSearch):
    """How stars and sky of each sub are measured."""

    background_cell_px: int = Field(default=64, ge=8, le=2048)
    """Side of the cells in which the sky is measured, in pixels."""
