"""The light of the sky: a mesh of medians, and smooth surfaces through it."""
