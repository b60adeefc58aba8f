"""Subtraction of the sky gradient."""

from typing import Literal

from pydantic import Field

from platefiles.settings.model import Settings


class Gradient(Settings):
    """Subtraction of the sky gradient."""

    surface: Literal["chebyshev", "thin_plate", "none"] = "chebyshev"
    """Model of the sky's gradient: a polynomial, a thin-plate spline, or none."""
    degree: int = Field(default=2, ge=1, le=6)
    """Degree of the polynomial: 1 a plane, 2 curved; higher ones may follow faint nebulae."""
    mask_sigma: float = Field(default=3.0, ge=1.5, le=20)
    """Signal this many sigma above the sky, at any scale, is masked as a source."""
