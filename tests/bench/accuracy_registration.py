"""Accuracy of registration: what is matched, what is refused, and how exact transforms are.

    PYTHONPATH=scripts .venv/bin/python tests/bench/accuracy_registration.py

Drawn subs go through `measure_stars` and `register`. Errors of transforms are the rms distance from
the true places over the whole grid.
"""

import sys
from pathlib import Path
from typing import Any

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parent))

from registered_subs import Drawn, Field, draw, random_field, registered

_SHAPE = (700, 1000)
_SHIFT_PX = (11.4, -7.7)
_SCALE_DEG = 5e-4


def _error_px(sub: Any) -> float:
    """Return the rms error of a transform over the grid, NaN where the sub was refused."""
    if sub is None or sub.facts["state"] != "used":
        return float("nan")
    y, x = (p.ravel().astype(float) for p in np.mgrid[0 : _SHAPE[0] : 9j, 0 : _SHAPE[1] : 9j])
    found = np.stack(sub.transform(x, y)) - np.stack([x, y]) - np.array(_SHIFT_PX)[:, None]
    return float(np.sqrt(np.mean((found**2).sum(axis=0))))


def _pair(stars: Field, one: Drawn, other: Drawn) -> tuple[Any, str]:
    """Register a second sub with a first; None and the reason where that was refused."""
    subs = {"one": one, "other": other}
    images = {name: draw(stars, sub) for name, sub in subs.items()}
    found, refusal = registered(images, subs, "one")
    return found.get("other"), refusal


def _seeing(fwhm_px: float) -> float:
    stars = random_field(1, 400, _SHAPE)
    return _error_px(
        _pair(stars, Drawn(2.8, seed=2), Drawn(fwhm_px, shift_px=_SHIFT_PX, seed=3))[0]
    )


def _deep_and_short() -> float:
    """Return the error of a short sub in which no star of a deep grid's brightest is unsaturated.

    The deep sub saturates 200 of its 900 stars, the short one shows these and few others.
    """
    rng = np.random.default_rng(4)
    x, y = rng.uniform(10, 990, 900), rng.uniform(10, 690, 900)
    rate = 10 ** np.linspace(4.4, 2.0, 900) * 10 ** rng.normal(0, 0.05, 900)
    stars = Field(x, y, rate, _SHAPE)
    deep = Drawn(2.8, exposure_s=300.0, seed=5, sky_e=900.0)
    short = Drawn(2.8, exposure_s=3.0, seed=6, sky_e=200.0, shift_px=_SHIFT_PX)
    return _error_px(_pair(stars, deep, short)[0])


def _galaxy_width() -> float:
    """Return by how much the width of stars is off on a galaxy full of bumps of noise, percent."""
    stars = random_field(7, 60, _SHAPE, faintest=60.0)
    y, x = np.mgrid[: _SHAPE[0], : _SHAPE[1]]
    light = 9000 * np.exp(-np.hypot(x - 480, (y - 360) / 0.6) / 90)
    widths = []
    for extended, smooth in ((None, 0.0), (light.astype(np.float32), 1.3)):
        sub = Drawn(2.8, seed=8, extended=extended, correlated_px=smooth)
        again = Drawn(2.8, seed=9, extended=extended, correlated_px=smooth, shift_px=_SHIFT_PX)
        subs = {"one": sub, "other": again}
        images = {name: draw(stars, one) for name, one in subs.items()}
        found, _ = registered(images, subs, "one")
        widths.append(found["one"].facts["fwhm_px"] if found else np.nan)
    return 100 * abs(widths[1] / widths[0] - 1)


def _cluster() -> float:
    """Return the error where the stars in common fill a small part of the frame."""
    rng = np.random.default_rng(10)
    middle = rng.normal([500, 350], 45, (18, 2))
    around = rng.uniform(10, [990, 690], (60, 2))
    x, y = np.concatenate([middle, around]).T
    rate = np.r_[np.full(18, 900.0), np.full(60, 60.0)]
    stars = Field(x, y, rate * 10 ** rng.normal(0, 0.1, 78), _SHAPE)
    deep = Drawn(2.8, exposure_s=100.0, seed=11)
    hazy = Drawn(3.6, exposure_s=100.0, transparency=0.08, seed=12, shift_px=_SHIFT_PX)
    sub = _pair(stars, deep, hazy)[0]
    if sub is None or not sub.facts["matched"]:
        return float("nan")
    found = np.stack(sub.transform(middle[:, 0], middle[:, 1])) - middle.T
    return float(np.sqrt(np.mean(((found - np.array(_SHIFT_PX)[:, None]) ** 2).sum(axis=0))))


def _unrelated(pairs: int) -> float:
    """Return the share of pairs of unrelated fields that are taken for one, percent."""
    wrong = 0
    for k in range(pairs):
        count = (12, 60, 400)[k % 3]
        subs = {"one": Drawn(2.8, seed=20 + k), "other": Drawn(2.8, seed=60 + k)}
        images = {
            name: draw(random_field(100 * k + n, count, _SHAPE, 60.0), sub)
            for n, (name, sub) in enumerate(subs.items())
        }
        found, _ = registered(images, subs, "one")
        wrong += bool(found) and found["other"].facts["state"] != "unmatched"
    return 100 * wrong / pairs


def _by_header(wrong_px: float) -> float:
    """Return the error of calibrated frames with world coordinates that are off by so much."""
    stars = random_field(13, 60, _SHAPE, 40.0)

    def cards(dx: float, dy: float) -> dict[str, Any]:
        return (
            {"CTYPE1": "RA---TAN", "CTYPE2": "DEC--TAN", "CRVAL1": 150.0, "CRVAL2": 2.0}
            | {"CRPIX1": 500.0 + dx, "CRPIX2": 350.0 + dy, "CD1_1": -_SCALE_DEG, "CD1_2": 0.0}
            | {"CD2_1": 0.0, "CD2_2": _SCALE_DEG}
        )

    one = Drawn(2.8, seed=14, cards=cards(0.0, 0.0))
    shifted = cards(_SHIFT_PX[0] + wrong_px, _SHIFT_PX[1])
    other = Drawn(3.2, seed=15, shift_px=_SHIFT_PX, cards=shifted)
    return _error_px(_pair(stars, one, other)[0])


def rows() -> list[dict[str, Any]]:
    """Return a row a case; NaN where a sub was refused that should not be."""
    error, unit = "transform off by", "px"
    return [
        {"what": what, "case": case, "value": value, "limit": limit, "unit": unit}
        for what, case, value, limit, unit in (
            (error, "400 stars, FWHM 1:1", _seeing(2.8), 0.02, unit),
            (error, "400 stars, FWHM 1:1.5", _seeing(4.2), 0.03, unit),
            (error, "400 stars, FWHM 1:2", _seeing(5.6), 0.04, unit),
            (error, "deep grid, short sub", _deep_and_short(), 0.05, unit),
            (error, "18 stars of a cluster", _cluster(), 0.15, unit),
            (error, "world coordinates, right", _by_header(0.0), 0.005, unit),
            (error, "world coordinates, off by 3 px", _by_header(3.0), 0.1, unit),
            ("width of stars off by", "bumps on a galaxy", _galaxy_width(), 3.0, "%"),
            ("matched", "24 pairs of unrelated fields", _unrelated(24), 0.0, "%"),
        )
    ]


if __name__ == "__main__":
    for row in rows():
        name = f"{row['what']}, {row['case']}"
        print(f"{name:50s} {row['value']:8.4f} {row['unit']} (limit {row['limit']})")
