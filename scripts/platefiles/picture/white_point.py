"""The white reference of a picture: given factors, a star colour, or the mean star."""

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np

from platefiles.settings.colour import Colour
from platelib.colour.catalogue_calibration import SUN, star_colours, white_of_colour
from platelib.colour.grey_sky import Sky
from platelib.colour.white_balance import White, mean_star


def choose_white(
    neutral: np.ndarray,
    skies: Sequence[Sky],
    colour: Colour,
    stars: Mapping[str, np.ndarray],
    fwhm_px: float | None = None,
) -> tuple[White, str]:
    """Return the white balance factors of a picture, and the white reference.

    Parameters
    ----------
    neutral : numpy.ndarray
        ``(planes, ny, nx)`` float32, sky subtracted; one plane if black-and-white.
    skies : sequence of Sky
        Level and noise of each plane.
    colour : Colour
        Settings of the recipe.
    stars : mapping of str to numpy.ndarray
        Columns of the catalogue's stars in a broadband picture; empty for any other.
    fwhm_px : float, optional
        FWHM of the stars, for the circles of their fluxes; without it, it is measured.

    Returns
    -------
    white : White
        With a note if the mean star replaces the requested reference.
    what : str
        Value of the card ``WHITE``.
    """
    noise = tuple(sky.noise for sky in skies[:3])
    if len(neutral) < 3:
        return White((1.0,), (0.0,), 0), ""
    if colour.white == "given":
        scale = colour.scale
        return White((scale.red, scale.green, scale.blue), (0.0, 0.0, 0.0), 0), "given"
    wanted = SUN if colour.white == "auto" else colour.white
    if colour.white == "mean_star" or (colour.white == "auto" and not stars):
        return mean_star(neutral[:3], noise), "mean_star"
    white, what = _catalogue_white(neutral[:3], noise, stars, wanted, fwhm_px)
    if not white.note:
        return white, what
    mean = mean_star(neutral[:3], noise)
    note = f"no {wanted}: {white.note}; the mean star is white instead"
    return replace(mean, note=f"{note}; {mean.note}" if mean.note else note), "mean_star"


def _catalogue_white(
    planes: np.ndarray,
    noise: tuple[float, ...],
    stars: Mapping[str, np.ndarray],
    wanted: str,
    fwhm_px: float | None,
) -> tuple[White, str]:
    nothing = White((1.0, 1.0, 1.0), (0.0, 0.0, 0.0), 0)
    if not stars:
        note = "no stars of known colour (no astrometric solution, or a narrowband filter)"
        return replace(nothing, note=note), wanted
    bands = {k.removeprefix("mag_"): v for k, v in stars.items() if k.startswith("mag_")}
    chosen = star_colours(bands, wanted)
    if chosen is None:
        known = " and ".join(bands) or "none"
        return replace(nothing, note=f"the catalogue has no colours (bands: {known})"), wanted
    colours, reference, name = chosen
    places = np.stack([stars["x"], stars["y"]])
    usable = stars["flags"] == 0 if "flags" in stars else None
    white = white_of_colour(planes, noise, places, colours, reference, usable, fwhm_px)
    return white, f"{wanted}: {name} {reference:g}"


def white_cards(white: White, what: str) -> list[tuple]:
    """Return the cards of the factors; none for a black-and-white picture."""
    if len(white.factors) < 3:
        return []
    cards: list[tuple] = [
        ("WHITE", what),
        ("WHITENUM", white.stars),
    ]
    for i, (factor, scatter) in enumerate(zip(white.factors, white.scatter, strict=True), start=1):
        cards += [
            (f"WHITE{i}", factor),
            (f"WHITSC{i}", scatter),
        ]
    if white.note:
        cards.append(("WHITENOT", white.note))
    return cards
