"""Calibrated subs of several nights: stars, noise, tracks, and an object that stays for a night."""

from collections.abc import Mapping
from pathlib import Path

import numpy as np
from astropy.io import fits

SHAPE = (144, 176)
NOISE, SKY = 2.0, 50.0
STARS = 60
OBJECT = (88.0, 70.0)
"""Place of the object that shines in all subs of one night, as an asteroid near its station."""


def stars() -> np.ndarray:
    """Return x, y and peak of the stars, ``(n, 3)``; the object lies apart from them."""
    rng = np.random.default_rng(11)
    x, y = rng.uniform(4, SHAPE[1] - 4, 400), rng.uniform(4, SHAPE[0] - 4, 400)
    found = np.stack([x, y, 60 * 10 ** rng.uniform(0, 1.6, 400)], axis=1)
    apart = np.hypot(x - OBJECT[0], y - OBJECT[1]) > 14
    return found[apart][:STARS]


def _random(night: str, number: int) -> np.random.Generator:
    return np.random.default_rng([number, int(night.replace("-", ""))])


def dither_px(night: str, number: int) -> tuple[float, float]:
    """Return the shift of a sub in x and y, px."""
    dx, dy = _random(night, number).uniform(-3, 3, 2)
    return float(dx), float(dy)


def draw_nights(
    folder: Path,
    nights: Mapping[str, int],
    seeing_px: Mapping[str, float] | None = None,
    tracks: int = 0,
    visited: str = "",
) -> None:
    """Draw the subs of nights.

    Parameters
    ----------
    folder
        Of the raw frames; each night gets its own.
    nights
        Subs of each night, by its date.
    seeing_px
        FWHM of the stars of a night, px; 3.0 by default.
    tracks
        Bright pixels of each sub.
    visited
        Night in which the object is there.
    """
    rows, columns = np.ogrid[: SHAPE[0], : SHAPE[1]]
    catalogue = stars()
    for night, count in nights.items():
        (folder / night).mkdir(parents=True)
        fwhm = (seeing_px or {}).get(night, 3.0)
        for number in range(count):
            rng = _random(night, number)
            dx, dy = rng.uniform(-3, 3, 2)
            width = fwhm * rng.uniform(0.95, 1.05)
            light = np.full(SHAPE, SKY)
            sources = [*catalogue, (*OBJECT, 9.0)] if night == visited else catalogue
            for x, y, peak in sources:
                peak *= (3.0 / width) ** 2
                square = (columns - x - dx) ** 2 + (rows - y - dy) ** 2
                light += peak * np.exp(-2.77 * square / width**2)
            image = light + rng.normal(0, NOISE, SHAPE)
            hit = rng.integers(0, image.size, tracks)
            image.flat[hit] += rng.uniform(20, 400, tracks)
            header = fits.Header()
            header.update(FILTER="g", IMAGETYP="light", EXPTIME=60.0, BUNIT="adu")
            header["DATE-OBS"] = f"{night}T22:{number:02d}:00"
            path = folder / night / f"g-{number}.fits"
            fits.PrimaryHDU(image.astype(np.float32), header).writeto(path)
