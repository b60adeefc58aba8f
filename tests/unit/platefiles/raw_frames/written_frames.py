"""Raw frames of all formats, for the tests that read them."""

import numpy as np
from astropy.io import fits

SHAPE = (30, 41)


def pixels_of(dtype):
    """Return pixels of a data type, negative ones where it has a sign."""
    rng = np.random.default_rng(5)
    if np.dtype(dtype).kind == "f":
        return rng.normal(1000, 20, SHAPE).astype(dtype)
    limits = np.iinfo(dtype)
    return rng.integers(max(limits.min, -5000), min(limits.max, 65000), SHAPE).astype(dtype)


def hdu_of(pixels, compressed):
    """Return an HDU of pixels, plain or tile-compressed."""
    if not compressed:
        return fits.PrimaryHDU(pixels)
    if pixels.dtype.kind == "f":
        return fits.CompImageHDU(pixels, compression_type="GZIP_2", quantize_level=0)
    return fits.CompImageHDU(pixels, compression_type="RICE_1")
