"""Fluxes of stars, and the zero points that turn them into magnitudes."""
