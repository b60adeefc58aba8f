"""Subs on one grid and one scale: matched stars, transforms, photometric scale, selection."""
