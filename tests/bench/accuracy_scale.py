"""Accuracy of the flux scale between subs: deviation from what was drawn.

    PYTHONPATH=scripts .venv/bin/python tests/bench/accuracy_scale.py

Fields of 600 and 6000 stars in 1.5 Mpx, the seeing of the second sub up to twice as wide as that of
the first, other profiles, exposures and transparencies. Each row is the mean of some fields.
"""

import sys
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parent))

from registered_subs import Drawn, draw, random_field, registered

_SHAPE = (1000, 1500)
_FWHM_PX = 3.0
_TRANSPARENCY = 0.8
_FIELDS = 2
_GAUSSIAN = 50.0


@dataclass(frozen=True)
class Case:
    """Stars, and how the profile of the second sub differs; the limit in percent."""

    stars: int
    ratio: float
    beta: float = 3.3
    other_beta: float = 3.3
    trail_px: float = 0.0
    exposure_ratio: float = 1.0
    limit: float = 0.3


CASES = {
    "600 stars, FWHM 1:1": Case(600, 1.0),
    "600 stars, FWHM 1:1.5": Case(600, 1.5),
    "600 stars, FWHM 1:2": Case(600, 2.0, limit=0.5),
    "6000 stars, FWHM 1:1": Case(6000, 1.0),
    "6000 stars, FWHM 1:1.5": Case(6000, 1.5),
    "6000 stars, FWHM 1:2": Case(6000, 2.0, limit=1.0),
    "6000 stars, FWHM 1:1.5, beta 2.5": Case(6000, 1.5, 2.5, 2.5),
    "6000 stars, FWHM 1:1.5, Gaussian": Case(6000, 1.5, _GAUSSIAN, _GAUSSIAN),
    "600 stars, FWHM 1:1.2, beta 4 and 2.5": Case(600, 1.2, 4.0, 2.5),
    "6000 stars, FWHM 1:1.5, trailed by 2 px": Case(6000, 1.5, trail_px=2.0),
    "6000 stars, FWHM 1:1.5, exposure 1:2": Case(6000, 1.5, exposure_ratio=2.0),
}


def deviation(case: Case, seed: int) -> float:
    """Return by how much the scale of the second sub is off, in percent; NaN if it was refused."""
    stars = random_field(seed, case.stars, _SHAPE)
    subs = {
        "sharp": Drawn(_FWHM_PX, case.beta, seed=seed + 1),
        "poor": Drawn(
            _FWHM_PX * case.ratio,
            case.other_beta,
            (case.trail_px, 0.0),
            (7.3, -4.6),
            _TRANSPARENCY,
            100.0 * case.exposure_ratio,
            500.0 * case.exposure_ratio,
            seed + 2,
        ),
    }
    images = {name: draw(stars, sub) for name, sub in subs.items()}
    found, _ = registered(images, subs, "sharp")
    if not found or found["poor"].facts["state"] != "used":
        return float("nan")
    return 100 * (found["poor"].facts["factor"] * _TRANSPARENCY - 1)


def rows(fields: int = _FIELDS) -> list[dict[str, Any]]:
    """Return a row a case: mean absolute deviation of the flux scale from the truth."""
    return [
        {
            "what": "flux scale off by",
            "case": name,
            "value": float(np.mean([abs(deviation(case, 1000 * k)) for k in range(fields)])),
            "limit": case.limit,
            "unit": "%",
        }
        for name, case in CASES.items()
    ]


if __name__ == "__main__":
    for row in rows():
        print(f"{row['case']:45s} {row['value']:7.3f} {row['unit']} (limit {row['limit']})")
