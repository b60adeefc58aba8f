"""Fluxes of stars, and the zero points that turn them into magnitudes.

Input: an image, star positions and catalogue magnitudes.
Output: aperture fluxes, zero points, airmass and extinction.
Sources: Pickering (2002) for airmass; York et al. (2004) for fits with errors in both
    coordinates.
"""
