"""Channels made of channels: without gradient, without continuum, with equal star images.

Input: integrated channels.
Output: channels that can be mapped to colours.
"""
