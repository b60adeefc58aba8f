"""Channels with equal star images."""
