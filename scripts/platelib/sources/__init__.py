"""Sources of an integrated channel: extracted, measured, classified and matched with catalogues.

Input: a channel, its variance and its background.
Output: a table of stars and extended sources with names from catalogues.
Sources: Kron (1980) for total fluxes; Bertin & Arnouts (1996).
"""
