"""Channels made of channels: without gradient, without continuum, with equal star images."""
