"""Positions on the sky: patterns of stars in a catalogue, and the map from pixels to the sky.

Input: star positions in px and a catalogue of stars.
Output: world coordinates with distortion, and whether they can be trusted.
Sources: Groth (1986); Valdes et al. (1995); Calabretta & Greisen (2002); Shupe et al. (2005)
    for SIP.
"""
