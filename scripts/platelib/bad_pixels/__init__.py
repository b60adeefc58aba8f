"""Bad pixels: found on darks and flats, and filled from their neighbours."""
