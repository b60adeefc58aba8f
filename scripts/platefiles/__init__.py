"""Everything that touches files: settings, raw frames, products, provenance."""
