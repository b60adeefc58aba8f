"""How the gradient of a channel's sky is taken out."""

from typing import Literal

from pydantic import Field

from platefiles.settings.model import Settings


class Gradient(Settings):
    """How the gradient of a channel's sky is taken out."""

    surface: Literal["chebyshev", "thin_plate", "none"] = "chebyshev"
    """The smooth surface that is the sky's gradient: a polynomial, a bent plate, or none."""
    degree: int = Field(default=2, ge=1, le=6)
    """Degree of the polynomial: 1 a plane, 2 also bends; higher ones may follow faint nebulae."""
    mask_sigma: float = Field(default=3.0, ge=1.5, le=20)
    """Light this many sigma above the sky, at any scale, is no sky."""
