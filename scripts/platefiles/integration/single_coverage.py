"""Cosmic rays where only one sub covers a pixel, so that no comparison finds them.

The search is that for single subs, in the parts of a sub that no other one covers. Integrations and
stored registered subs call the same function, so that the same pixels are bad in both.
"""

from collections.abc import Sequence

import numpy as np

from platefiles.registration.registration_table import RegisteredSub
from platefiles.subs.calibrated_sub import Sub
from platefiles.subs.hit_pixels import NO_HITS, HitPixels
from platelib.numerics.mask_bits import BAD
from platelib.registration.sub_state import SubState

SHARPEST_FWHM_PX = 1.8
"""Median FWHM of the measures, some 0.4 px above the true one, below which stars lose light."""
_EDGE_PX = 5
_LEAST_SIDE_PX = 16
_WING_SIGMA = 4.0


class LoneParts:
    """The areas covered by a single sub of a channel.

    Parameters
    ----------
    registered : sequence of RegisteredSub
        Subs of the channel; unused subs do not count.
    grid : tuple of int
        ``(ny, nx)``.
    """

    def __init__(self, registered: Sequence[RegisteredSub], grid: tuple[int, int]):
        from platelib.integration.coverage import lone_boxes  # loads scipy

        used = [row for row in registered if row.facts["state"] == SubState.USED]
        self._grid = grid
        self._transforms = [row.transform for row in used]
        self._shapes = [(row.facts["height_px"], row.facts["width_px"]) for row in used]
        boxes = lone_boxes(self._transforms, self._shapes, grid)
        self._boxes = {row.facts["id"]: own for row, own in zip(used, boxes, strict=True)}

    def hits(self, row: RegisteredSub, sub: Sub) -> HitPixels:
        """Find cosmic rays of a sub where no other sub covers the grid.

        Parameters
        ----------
        row : RegisteredSub
        sub : Sub
            Open.

        Returns
        -------
        HitPixels
            No pixels if stars are as sharp as tracks, or their width is unknown.
        """
        from platelib.integration.coverage import is_lone

        boxes = self._boxes.get(row.facts["id"], [])
        if not boxes or not row.facts["fwhm_px"] >= SHARPEST_FWHM_PX:
            return NO_HITS
        mask = np.zeros(sub.shape, dtype=bool)
        for rows, columns in boxes:
            mask[rows, columns] |= _searched(row, sub, rows, columns)
        y, x = np.nonzero(mask)
        places = row.transform.inverse(x.astype(np.float64), y.astype(np.float64))
        lone = is_lone(self._transforms, self._shapes, self._grid, *places)
        return HitPixels(x[lone].astype(np.int32), y[lone].astype(np.int32))


def _searched(row: RegisteredSub, sub: Sub, rows: slice, columns: slice) -> np.ndarray:
    """Search a box of a raw frame."""
    from platelib.cosmic_rays.saturated_stars import saturated_star_images
    from platelib.cosmic_rays.single_frame import RayRule, contrast_for, cosmic_ray_mask

    values, variance, mask = sub.calibrated_box(
        (rows.start, rows.stop), (columns.start, columns.stop)
    )
    if min(values.shape) < _LEAST_SIDE_PX:
        return np.zeros(values.shape, dtype=bool)
    variance *= np.float32(row.facts["excess"])
    rule = RayRule(contrast=contrast_for(row.facts["fwhm_px"]))
    shield = mask.copy()
    for side, first, last, size in (
        (shield, rows.start, rows.stop, sub.shape[0]),
        (shield.T, columns.start, columns.stop, sub.shape[1]),
    ):
        side[: max(0, _EDGE_PX - first)] |= np.uint8(BAD)
        side[len(side) - max(0, last - size + _EDGE_PX) :] |= np.uint8(BAD)
    shield[saturated_star_images(values, variance, mask)] |= np.uint8(BAD)
    shield[_starlight(values, variance, row.facts["fwhm_px"])] |= np.uint8(BAD)
    return cosmic_ray_mask(values, variance, shield, sub.saturation, rule)


def _starlight(values: np.ndarray, variance: np.ndarray, fwhm_px: float) -> np.ndarray:
    """Return the centres of sources with light all around; a track has none."""
    from platelib.colour.star_cores import discs
    from platelib.detection.wing_profiles import wing_profiles

    sky, noise = float(np.median(values)), float(np.sqrt(np.median(variance)))
    profiles = wing_profiles(values, sky, noise, fwhm_px)
    winged = profiles.light[:, 1] > _WING_SIGMA * profiles.error[:, 1]
    radii = np.full(np.count_nonzero(winged), 0.7 * profiles.unit_px)
    return discs(values.shape, profiles.x[winged], profiles.y[winged], radii)
