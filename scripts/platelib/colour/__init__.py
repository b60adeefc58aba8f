"""From channels to colours: mapping, grey sky, white balance, luminance."""
