"""Measurement of stars and sky of each sub."""

from pydantic import Field

from platefiles.settings.model import Settings


class StarSearch(Settings):
    """Settings for star detection and measurement."""

    detection_sigma: float = Field(default=6.0, ge=2, le=1000)
    """Detection threshold for stars above the noise of the sky, in sigma."""
    aperture_fwhm: float = Field(default=2.5, ge=1, le=10)
    """Radius of the photometric aperture, in FWHM of the sub's stars."""
    max_stars: int = Field(default=2000, ge=20, le=100_000)
    """Largest number of stars from each sub, the brightest."""


class Measure(StarSearch):
    """Measurement of stars and sky of each sub."""

    background_cell_px: int = Field(default=64, ge=8, le=2048)
    """Side of the cells of the background mesh, in pixels."""
