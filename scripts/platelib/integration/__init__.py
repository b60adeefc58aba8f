"""Registered subs to one image: rejection of outliers and the weighted mean of the others."""
