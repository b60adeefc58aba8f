"""Simulated nights: a scene, a sky, optics and a camera with its faults."""
