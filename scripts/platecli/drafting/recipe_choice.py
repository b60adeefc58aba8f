"""Choose the recipe for a set of channels, and the colour of each channel."""

from collections.abc import Sequence

from platefiles.frames.filters import wavelength_nm


def recipe_for(channels: Sequence[str]) -> tuple[str, dict[str, str | None]]:
    """Choose a recipe and the overrides of its mapping for the channels.

    Returns
    -------
    recipe : str
        Name of a shipped recipe.
    rows : dict
        Channel by output colour, None to remove a row of the recipe. Empty if the recipe's mapping
        fits.
    """
    luminance: dict[str, str | None] = {"luminance": "lum"} if "lum" in channels else {}
    if {"r", "g", "b"} <= set(channels):
        return "broadband-rgb", luminance
    if {"ha", "g", "b"} <= set(channels):
        return "ha-in-red", luminance
    return "single-channel", colour_rows(channels)


def colour_rows(channels: Sequence[str]) -> dict[str, str | None]:
    """Map channels to colours in the order of their wavelengths, the longest to red.

    Channels whose wavelength is unknown are mapped to no colour.

    Returns
    -------
    dict
        Channel by output colour, with None for a missing luminance. Empty without two channels of
        different colours.
    """
    wavelengths = {name: wavelength_nm(name) for name in channels if name != "lum"}
    known = {name: length for name, length in wavelengths.items() if length is not None}
    colours = sorted(known, key=lambda name: (-known[name], name))
    if len(colours) < 2:
        return {}
    lum = "lum" if "lum" in channels else None
    middle = colours[len(colours) // 2]
    return {"red": colours[0], "green": middle, "blue": colours[-1], "luminance": lum}
