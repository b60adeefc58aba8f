"""The star table of a sub."""

import numpy as np

CORE_SHARE = 0.4
"""Radius of the aperture for the cores of stars, in units of that for their flux."""

FLAG_SATURATED, FLAG_MASKED, FLAG_SHAPE = 1, 2, 4

STAR = np.dtype(
    [
        ("x", "f8"),
        ("y", "f8"),
        ("flux", "f8"),
        ("flux_error", "f8"),
        ("core", "f8"),
        ("peak", "f8"),
        ("fwhm", "f8"),
        ("ellipticity", "f8"),
        ("flags", "i2"),
    ]
)
"""A star: 0-based position in raw pixels, flux and error in the unit of the image, flux in
`CORE_SHARE` of the aperture's radius, peak above the sky, FWHM in pixels, ellipticity ``1 - b/a``,
flags (1 saturated, 2 bad pixel inside, 4 shape unlike the other stars of the sub)."""
