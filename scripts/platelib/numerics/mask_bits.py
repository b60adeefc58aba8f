"""The bits of a pixel mask, and the pixels that have them."""

import numpy as np

BAD, SATURATED = 1, 2
"""Whether a pixel is not to be used, and whether its count is that of saturation or above."""
SPIKE, LIMITED, SHARP = np.uint8(32), np.uint8(64), np.uint8(128)
"""Of the sample right of and below this pixel: whether one of its four nearest pixels is a spike,
whether the fluxes between it and the next ones are limited, and whether it has a part in such a
flux."""
