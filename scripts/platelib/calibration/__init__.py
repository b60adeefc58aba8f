"""From the counts of raw frames to electrons: combination, correction, gain, saturation."""
