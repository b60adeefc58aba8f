"""The field on the sky: star catalogues, archives, and the solution of a project's grid.

Input: the grid's sub, its header and a catalogue.
Output: world coordinates of the grid, or the reason why there are none.
Sources: Hog et al. (2000) for Tycho-2; IVOA TAP 1.1 and Simple Cone Search 1.03.
"""
