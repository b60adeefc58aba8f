"""Registration and selection of subs."""

from pydantic import Field

from platefiles.settings.model import Settings


class Roundness(Settings):
    """The limit of the ellipticity of a sub's stars."""

    max_ellipticity: float = Field(default=0.45, ge=0, le=1)
    """A sub whose stars have a larger ellipticity (0 round, 1 a line) is left out."""


class Quality(Roundness):
    """Limits for the selection of subs."""

    min_stars: int = Field(default=8, ge=3, le=100_000)
    """A sub with fewer stars is left out."""
    min_transparency: float = Field(default=0.5, ge=0, le=1)
    """A sub whose stars are fainter than this fraction of the best subs' is left out as clouded."""
    max_fwhm_ratio: float = Field(default=1.8, ge=1, le=100)
    """A sub whose FWHM exceeds this many times the median is left out."""
    max_background_ratio: float = Field(default=20.0, ge=1)
    """A sub whose sky is brighter than this many times the median is left out."""


class Registration(Settings):
    """Registration of subs on the grid."""

    min_matches: int = Field(default=8, ge=3, le=100_000)
    """A sub that shares fewer stars with the reference is left out."""
    max_rms_px: float = Field(default=0.5, gt=0, le=10)
    """A sub with a larger rms of star positions after the fit, in pixels, is left out."""
    max_degree: int = Field(default=3, ge=1, le=5)
    """Highest degree of the transform: 1 shift, rotation and scale, 3 also distortion."""
