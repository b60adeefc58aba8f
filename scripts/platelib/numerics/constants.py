"""Constants that several packages use."""

import math

MAD_TO_SIGMA = 1.482602218505602
"""Standard deviation of a normal distribution over its median absolute deviation."""

MEDIAN_ERROR = math.sqrt(math.pi / 2)
"""Standard error of the median of many normal values over that of their mean."""

FWHM_PER_SIGMA = 2.3548200450309493
"""Full width at half maximum of a Gaussian over its standard deviation: 2 sqrt(2 ln 2)."""

MAG_ERROR = 2.5 / math.log(10)
"""Error in magnitudes over the relative error of the flux, where that is small."""
