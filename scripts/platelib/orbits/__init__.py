"""Places of minor planets and comets: from orbital elements to the sky, matched with tracks.

Input: elements of many bodies, times, a site, tracks.
Output: place, motion, magnitude, matches.
Sources: Danby (1988), Celestial Mechanics; Bowell et al. (1989), Asteroids II, 524.
"""
