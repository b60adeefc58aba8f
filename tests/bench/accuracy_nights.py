"""Night stacks and their merge beside one pass over all subs.

    PYTHONPATH=scripts .venv/bin/python tests/bench/accuracy_nights.py

Channels of 40 to 1000 subs in nights of 5 to 40, and mixed ones with nights too short to be
stacked. Limits: noise within 0.5 % of one pass, scatter within 3 % of the expected variance, the
light of stars within 0.2 %, and no more light of artefacts than in one pass, by 2 % of what would
be there without rejection (the error of a case, since few artefacts lie near the limits).
"""

import sys
from pathlib import Path
from typing import Any

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parent))

import night_subs

MIXED = [40, 40, 30, 20, 10, 10, 10, 8, 7, 6, 5, 4, 3, 3, 2, 1, 1]
CASES = {
    "40 subs, nights of 5": ([5] * 8, (200, 240)),
    "40 subs, nights of 10": ([10] * 4, (200, 240)),
    "40 subs, nights of 20": ([20] * 2, (200, 240)),
    "40 subs, nights of 20, 10, 5, 3, 2": ([20, 10, 5, 3, 2], (200, 240)),
    "200 subs, nights of 5": ([5] * 40, (160, 200)),
    "200 subs, nights of 40": ([40] * 5, (160, 200)),
    "200 subs, nights of 1 to 40": (MIXED, (160, 200)),
    "1000 subs, nights of 40": ([40] * 25, (120, 150)),
}
LIMITS = {
    "noise": ("noise above that of one pass", 0.5),
    "pull": ("scatter off the expected variance", 3.0),
    "flux": ("light of stars off that of one pass, worst class", 0.2),
    **{kind: (f"light of {kind} left beyond that of one pass", 2.0) for kind in night_subs.KINDS},
}
BRIGHT = (0.0, 6000.0, 30_000.0, np.inf)
"""Classes of stars by their flux, electrons."""


def measure(nights: list[int], shape: tuple[int, int], seed: int) -> dict[str, float]:
    """Return the measures of one case, percent."""
    subs = night_subs.draw(nights, shape, seed)
    one = night_subs.score(subs, night_subs.one_pass(subs))
    merged = night_subs.score(subs, night_subs.by_night(subs))
    found = {kind: 100 * (merged[kind] - one[kind]) for kind in night_subs.KINDS}
    found["noise"] = 100 * (merged["noise"] / one["noise"] - 1)
    found["pull"] = 100 * abs(merged["pull"] - 1)
    found["flux"] = star_change(nights, shape, seed)
    return found


def star_change(nights: list[int], shape: tuple[int, int], seed: int) -> float:
    """Return the largest mean change of light of a class of stars, percent.

    Without trails and movers: their light on stars is no light of stars.
    """
    sky = night_subs.Sky(movers=0, trails=0.0, stars=40)
    subs = night_subs.draw(nights, shape, seed, sky)
    one = night_subs.fluxes(subs, night_subs.one_pass(subs).mean)
    change = night_subs.fluxes(subs, night_subs.by_night(subs).mean) / one - 1
    classes = [
        change[(subs.flux >= low) & (subs.flux < high) & np.isfinite(change)]
        for low, high in zip(BRIGHT, BRIGHT[1:], strict=False)
    ]
    return max(100 * abs(float(part.mean())) for part in classes if len(part) > 4)


def rows() -> list[dict[str, Any]]:
    """Return a row for each measure and case."""
    table = []
    for seed, (case, (nights, shape)) in enumerate(CASES.items()):
        found = measure(nights, shape, seed)
        for name, (what, limit) in LIMITS.items():
            value = found[name]
            table.append({"what": what, "case": case, "value": value, "limit": limit, "unit": "%"})
    return table


if __name__ == "__main__":
    for row in rows():
        print("{case:36} {what:52} {value:8.3f} {limit:6.1f} {unit}".format(**row))
