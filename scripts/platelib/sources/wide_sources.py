"""Wide sources with smaller ones upon them: galaxies and nebulae, with all their light.

They are found on medians of squares of pixels, from which the stars are left out.
"""

from collections.abc import Mapping

import numpy as np
import sep

from platelib.sources.background_subtracted import FieldSky, likeness
from platelib.sources.block_medians import block_medians
from platelib.sources.empirical_psf import StarCopies
from platelib.sources.sep_extraction import extracted
from platelib.sources.source_footprint import SourceCovers

BRIGHT = 40.0
"""Light over its error from which a source is bright enough to tell what stars look like."""
_WIDE_SIGMA, _WIDE_AREA, _WIDE_CONTRAST = 2.0, 5, 0.02
_BIN_HALF_LIGHTS, _LEAST_BIN_PX = 4.0, 4
_LEAST_LEFT = 0.3
_ISOPHOTE, _CROWD = 2.5, 8
_KRON_REACH, _KRON_SCALES = 6.0, (2.5, 4.0)


def measure_wide(
    table: dict[str, np.ndarray], field: FieldSky, stars: StarCopies, factor: float
) -> None:
    """Find wide objects and assign them to the sources at their centres."""
    side = max(_LEAST_BIN_PX, int(round(_BIN_HALF_LIGHTS * stars.half_light_px)))
    alone = ~table["extended"] & (table["flux"] > BRIGHT * table["flux_error"])
    covers = SourceCovers(field.image.shape, stars.half_light_px)
    covers.lay(table, np.flatnonzero(alone))
    hidden = covers.count > 0
    hidden |= field.missing
    binned, noise, missing = block_medians(field.image, field.noise, hidden, side, _LEAST_LEFT)
    del hidden
    covers.lay(table, np.flatnonzero(~alone))
    noise = noise * likeness(binned, noise, missing)
    extraction = extracted(
        binned, noise, missing, _WIDE_SIGMA, _WIDE_AREA,
        with_segments=True, deblend_cont=_WIDE_CONTRAST,
    )  # fmt: skip
    found, segments = extraction.found, extraction.segments
    high, wide = binned.shape
    column = np.minimum(table["x"] / side, wide - 1).astype(int)
    row = np.minimum(table["y"] / side, high - 1).astype(int)
    owner = segments[row, column] - 1
    by_owner = np.argsort(owner, kind="stable")
    bounds = np.searchsorted(owner[by_owner], np.arange(len(found) + 1))
    for number in range(len(found)):
        members = by_owner[bounds[number] : bounds[number + 1]]
        middle = _middle(table, members, found[number], side)
        if middle is None:
            continue
        shape = {name: float(found[name][number]) for name in ("a", "b", "theta")}
        shape |= {name: shape[name] * side for name in ("a", "b")}
        covers.lift(table, [middle])
        filled = _fill_wide(table, middle, shape, field, covers.count, factor)
        covers.lay(table, [middle])
        if filled:
            table["inside"][members[members != middle]] = middle


def _middle(
    table: dict[str, np.ndarray], members: np.ndarray, found: np.ndarray, side: int
) -> int | None:
    """Return the source at the centre of a wide object; None if no source is extended."""
    wide = members[table["extended"][members]]
    if not wide.size:
        return None
    away = np.hypot(
        table["x"][wide] / side - found["xcpeak"], table["y"][wide] / side - found["ycpeak"]
    )
    return int(wide[np.argmax(table["flux"][wide] / (1 + (away / float(found["a"])) ** 2))])


def _fill_wide(
    table: dict[str, np.ndarray],
    k: int,
    found: Mapping[str, float],
    field: FieldSky,
    covered: np.ndarray,
    factor: float,
) -> bool:
    """Put light and shape of a wide object into its row, if it is wide: Kron (1980), 2.5 radii.

    What others cover does not count; its place takes the mean of the ellipse.
    """
    reach = int(np.ceil(_KRON_REACH * found["a"])) + 2
    left, bottom = (max(0, int(table[name][k]) - reach) for name in ("x", "y"))
    cut = (slice(bottom, bottom + 2 * reach + 1), slice(left, left + 2 * reach + 1))
    image, noise = field.image[cut].copy(), field.noise[cut].copy()
    mask = field.missing[cut] | (covered[cut] > 0)
    x, y = [float(table["x"][k]) - left], [float(table["y"][k]) - bottom]
    axes = [found["a"]], [found["b"]], [found["theta"]]
    kron, _ = sep.kron_radius(image, x, y, *axes, _KRON_REACH, mask=mask)
    # Further out, residual sky would outweigh the object.
    scale = float(np.clip(2.5 * kron[0], *_KRON_SCALES)) if np.isfinite(kron[0]) else 3.0
    total, error, _ = sep.sum_ellipse(image, x, y, *axes, scale, err=noise, mask=mask, subpix=5)
    half, _ = sep.flux_radius(image, x, y, [scale * axes[0][0]], 0.5, mask=mask, subpix=5)
    if not (total[0] > table["flux"][k] and half[0] > 0):
        return False
    if _is_light_of_stars(table, k, total[0], found):
        return False
    table["flux"][k], table["flux_error"][k] = total[0], factor * error[0]
    table["half_light_px"][k] = half[0]
    axes_px = _ISOPHOTE * axes[0][0], _ISOPHOTE * axes[1][0]
    table["major_px"][k], table["minor_px"][k] = axes_px
    table["angle_deg"][k] = np.degrees(axes[2][0])
    return True


def _is_light_of_stars(
    table: Mapping[str, np.ndarray], k: int, flux: float, found: Mapping[str, float]
) -> bool:
    """Return whether a wide object may be the wings of stars in it, and faint stars between them.

    It may where stars run together: many are in it, and all but the brightest give more light than
    the object.
    """
    dx, dy = table["x"] - table["x"][k], table["y"] - table["y"][k]
    c, s = np.cos(found["theta"]), np.sin(found["theta"])
    across = np.hypot((c * dx + s * dy) / found["a"], (c * dy - s * dx) / found["b"])
    light = table["flux"][(across <= _ISOPHOTE) & ~table["extended"]]
    return light.size >= _CROWD and flux < float(light.sum() - light.max())
