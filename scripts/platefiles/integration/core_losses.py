"""Warnings about subs that lose star cores to rejection."""

from collections.abc import Mapping
from typing import Any

MOST_OF_CORES = 0.02
"""Share of the pixels of its star cores that a sub may lose, beyond what it loses all over, before
the run says so: a satellite that crosses the field takes its share of stars, too."""
FEWEST_CORES = 3
"""Whole cores that this share must be at least: where few stars tell, one cosmic ray takes 2 %."""


def core_loss(row: Mapping[str, Any]) -> str | None:
    """Return a sentence if a sub lost much of its star cores, else None.

    Parameters
    ----------
    row : mapping
        ``name``, and as numbers or strings the number of ``star_cores`` and the fractions
        ``cores_rejected``, ``clipped_low`` and ``clipped_high``; missing or empty values count as
        0.
    """
    stars, cores, low, high = (
        float(row.get(key) or 0)
        for key in ("star_cores", "cores_rejected", "clipped_low", "clipped_high")
    )
    lost = cores - (low + high)
    if lost <= MOST_OF_CORES or lost * stars <= FEWEST_CORES:
        return None
    return (
        f"{row['name']}: {100 * cores:.1f} % of the pixels of its {stars:.0f} star cores are "
        f"rejected, {100 * (low + high):.1f} % of all pixels: its stars differ from those of "
        "the other subs; check it, and exclude it or raise clip_tolerance"
    )
