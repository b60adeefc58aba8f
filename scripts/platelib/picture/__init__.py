"""From a linear image to the pixels of a picture, and what is drawn over it."""
