"""From the pixels of a sub to those of the grid, with their variance."""
