"""Registered subs to one image: rejection of outliers and the weighted mean of the rest.

Input: samples of all subs at each pixel, with noise and weight.
Output: mean, variance, number of subs and number of rejected samples.
Sources: Rosner (1983) for the generalised ESD test; Alard & Lupton (1998) for subs of different
    seeing.
"""
