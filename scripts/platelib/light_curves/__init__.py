"""Light curves of the stars of a channel, and the stars among them that vary.

Input: fluxes of each star in each sub, with errors, times, places and airmass.
Output: calibrated light curves, their errors, a ranking of variables, events and periods.
Sources: Honeycutt (1992) for the ensemble, Young (1967) and Osborn et al. (2015) for scintillation,
    Stetson (1996) for J, Benjamini & Hochberg (1995), Zechmeister & Kuerster (2009) for periods.
"""
