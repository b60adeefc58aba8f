"""The subs of a channel on one grid: matched, levelled, selected, as a table."""
