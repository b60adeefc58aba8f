"""What is in the field: catalogues of objects, and tables of sources as files.

Input: sources of all channels and lists of objects.
Output: tables in ECSV, CSV, VOTable and region files.
Sources: ECSV and VOTable, as astropy writes them.
"""
