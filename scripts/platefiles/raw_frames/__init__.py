"""Raw frames: opened read-only, compared with their fingerprint, handed out by bands of rows."""
