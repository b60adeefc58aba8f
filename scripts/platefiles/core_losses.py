"""What a run says of subs that lose the cores of their stars to rejection."""

MOST_OF_CORES = 0.02
"""Share of the pixels of its star cores that a sub may lose before the run says so."""


def core_loss(name: str, share: float) -> str:
    """Return the sentence for a sub.

    Parameters
    ----------
    name
        File of the sub.
    share
        Rejected share of the pixels of its star cores.
    """
    return (
        f"{name}: {100 * share:.1f} % of its star cores' pixels are rejected "
        f"(said from {100 * MOST_OF_CORES:.0f} % on): its stars look unlike those of the other "
        "subs; look at it, and exclude it or raise clip_tolerance"
    )
