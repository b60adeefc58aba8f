"""Magnitudes of channels: passbands, zero points, depth."""
