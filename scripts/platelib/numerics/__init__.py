"""Tools of all packages: compiled kernels and their memory, medians, polynomials, neighbours.

Input: arrays of any package.
Output: medians, percentiles, spreads, polynomial bases and transforms.
Sources: Batcher (1968) for sorting networks; Robertson & Cryer (1974) for the half-sample mode.
"""
