"""Drawn subs compared with the stack of their night."""

from dataclasses import dataclass, replace
from functools import cache

import numpy as np
import pytest
from drawn_differences import Conditions, Sky, draw_sky, draw_sub, stack

from platelib.differences.difference import SubAndStack
from platelib.differences.filtered_difference import Compared, compare_with_stack
from platelib.differences.predicted_light import lit_blocks
from platelib.differences.resampled_noise import sub_correlation
from platelib.differences.star_image import StarImage
from platelib.differences.star_matching import match_star_images
from platelib.differences.varying_kernel import VaryingKernel

SHAPE = (330, 390)


@dataclass(frozen=True)
class Drawn:
    """A field, one of its subs beside the stack, and what comes of comparing them."""

    sky: Sky
    both: SubAndStack
    image: StarImage
    matching: VaryingKernel
    lit: np.ndarray
    correlation: tuple[np.ndarray, np.ndarray]
    compared: Compared


def draw_night(seed: int, taken: Conditions, stack_fwhm: float = 3.0, subs: int = 6, **sky):
    """Draw a field, a sub taken under some conditions, and the stack of it and five others."""
    rng = np.random.default_rng([seed, 19])
    field = draw_sky(rng, **({"shape": SHAPE, "stars": 90, "galaxies": 3} | sky))
    dither = tuple(rng.uniform(-1, 1, 2))
    drawn = [draw_sub(rng, field, replace(taken, dither_px=dither))]
    for k in range(subs - 1):
        dither = tuple(rng.uniform(-1, 1, 2))
        seeing = Conditions(fwhm_px=stack_fwhm * (1 + 0.1 * (k % 3 - 1)), dither_px=dither)
        drawn.append(draw_sub(rng, field, replace(seeing, turn_deg=taken.turn_deg / 2)))
    whole = stack(drawn)
    one = drawn[0]
    both = SubAndStack(
        one.values, one.variances, whole.mean, whole.variance, whole.shares[0], one.gain,
        one.saturation,
    )  # fmt: skip
    return field, both, one.transform


@cache
def _compared(seed: int, taken: "Frozen", stack_fwhm: float, subs: int, sky: tuple) -> Drawn:
    field, both, transform = draw_night(seed, taken.conditions, stack_fwhm, subs, **dict(sky))
    widths = stack_fwhm, taken.conditions.fwhm_px
    image, matching = match_star_images(both, field.stars[:, :2], widths)
    noise = float(np.sqrt(np.nanmedian(both.variances)))
    lit = lit_blocks(both.mean, noise, 4)
    correlation = sub_correlation(transform, both.shape)
    found = compare_with_stack(both, matching, image, lit, correlation, widths[1])
    return Drawn(field, both, image, matching, lit, correlation, found)


class Frozen:
    """Conditions by which results are remembered."""

    def __init__(self, conditions: Conditions):
        self.conditions = conditions
        self._key = repr((conditions, conditions.extra.tolist()))

    def __hash__(self) -> int:
        """Hash of what they are."""
        return hash(self._key)

    def __eq__(self, other: object) -> bool:
        """Whether they are the same."""
        return isinstance(other, Frozen) and self._key == other._key


@pytest.fixture
def compared():
    """A function that draws and compares; the same field is drawn once."""

    def compare(seed, taken, stack_fwhm=3.0, subs=6, **sky) -> Drawn:
        return _compared(seed, Frozen(taken), stack_fwhm, subs, tuple(sorted(sky.items())))

    return compare
