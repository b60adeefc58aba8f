"""Constants that several packages use."""

MAD_TO_SIGMA = 1.482602218505602
"""Standard deviation of a normal distribution over its median absolute deviation."""
