"""What all packages need: errors, safe names, digests, files written whole or not at all."""
