"""Light curves as files: tables for programs, and reports of variable stars.

Input: light curves, variability and periods of stars, as columns.
Output: ECSV, VOTable, and the AAVSO Extended File Format.
Sources: ECSV and VOTable, as astropy writes them; AAVSO Extended File Format, version 1.2.
"""
