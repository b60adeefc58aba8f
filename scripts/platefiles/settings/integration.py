"""Combination of the subs of a channel into one image."""

from typing import Literal

from pydantic import Field

from platefiles.settings.model import Settings


class Weighting(Settings):
    """Weights of the subs."""

    weights: Literal["noise", "noise_and_seeing", "equal"] = "noise"
    """Weights of the subs."""


class Levelling(Settings):
    """Settings for background matching."""

    background_match: Literal["constant", "plane", "quadratic"] = "quadratic"
    """Shape of the subtracted difference in sky between subs."""


class Stacking(Weighting):
    """Settings for combining registered subs."""

    clip: Literal["noise", "sigma", "mad", "esd", "none"] = "noise"
    """Rejection test for cosmic rays and trails."""
    clip_low: float = Field(default=4.0, ge=0, le=1000)
    """Pixels this many sigma too dark are rejected."""
    clip_high: float = Field(default=4.0, ge=0, le=1000)
    """Pixels this many sigma too bright are rejected."""
    max_iterations: int = Field(default=5, ge=1, le=100)
    """Largest number of iterations of the rejection."""
    clip_tolerance: float = Field(default=0.02, ge=0, le=1)
    """Largest relative difference of a star between subs after PSF matching."""
    esd_alpha: float = Field(default=0.01, gt=0, lt=0.5)
    """Probability of a false alarm in one pixel, for the esd test only."""
    grow_px: int = Field(default=2, ge=0, le=50)
    """Neighbours of rejected pixels are rejected up to this distance, in pixels."""
    single_frame_cosmic_rays: Literal["auto", "always", "never"] = "auto"
    """Search for cosmic rays on each single sub; auto: in channels with fewer than 5 subs."""
    min_subs: int = Field(default=3, ge=1, le=100_000)
    """A channel with fewer usable subs is not made."""
    max_excluded: float = Field(default=0.9, ge=0, le=1)
    """A channel that loses more than this fraction of its subs is not made."""


class Integration(Levelling, Stacking):
    """Combination of the subs of a channel into one image."""

    by_night: Literal["auto", "always", "never"] = "auto"
    """Integrate each night once and merge the nights; auto: if two nights or more have 5 lights."""
