"""How the subs of a channel become one image."""

from typing import Literal

from pydantic import Field

from platefiles.settings.model import Settings


class Weighting(Settings):
    """What makes one sub count for more than another."""

    weights: Literal["noise", "noise_and_seeing", "equal"] = "noise"
    """What makes one sub count for more than another."""


class Levelling(Weighting):
    """How subs are brought to one sky and weighted."""

    background_match: Literal["constant", "plane", "quadratic"] = "quadratic"
    """The shape of the difference in sky between subs that is taken out."""


class Stacking(Weighting):
    """How registered subs become one image."""

    clip: Literal["noise", "sigma", "mad", "esd", "none"] = "noise"
    """The test that tells cosmic rays and trails from stars and sky."""
    clip_low: float = Field(default=4.0, ge=0, le=1000)
    """Pixels this many sigma too dark are left out."""
    clip_high: float = Field(default=4.0, ge=0, le=1000)
    """Pixels this many sigma too bright are left out."""
    max_iterations: int = Field(default=5, ge=1, le=100)
    """The clipping is repeated at most this many times."""
    clip_tolerance: float = Field(default=0.02, ge=0, le=1)
    """Fraction by which the light of a star may differ once subs have equal star images."""
    esd_alpha: float = Field(default=0.01, gt=0, lt=0.5)
    """Chance of a false alarm in one pixel, for the esd test only."""
    grow_px: int = Field(default=2, ge=0, le=50)
    """Clipped pixels take their neighbours with them up to this distance, in pixels."""
    single_frame_cosmic_rays: Literal["auto", "always", "never"] = "auto"
    """Look for cosmic rays on each sub by itself; auto: in channels with fewer than 5 subs."""
    min_subs: int = Field(default=3, ge=1, le=100_000)
    """A channel with fewer usable subs than this is not made."""
    max_excluded: float = Field(default=0.9, ge=0, le=1)
    """A channel that loses more than this fraction of its subs is not made."""


class Integration(Levelling, Stacking):
    """How the subs of a channel become one image."""
