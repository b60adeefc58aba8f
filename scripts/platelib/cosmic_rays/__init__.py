"""Cosmic rays on a single frame."""
