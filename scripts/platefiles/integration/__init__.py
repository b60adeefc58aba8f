"""The subs of a channel integrated tile by tile, and what became of each sub."""
