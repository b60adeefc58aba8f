"""Stars of one frame: detected, measured, and separated from trails and cosmic rays.

Input: a calibrated sub with its background and noise.
Output: a table of stars: position, flux, width, ellipticity.
Sources: Bertin & Arnouts (1996) for windowed positions; Moffat (1969) for profiles.
"""
