"""Places on the sky: patterns of stars in a catalogue, and the map from pixels to the sky."""
