"""The limits by which the subs of one night are rejected."""

from dataclasses import replace

from platelib.integration.rejection import Rejection

_SHARE = 0.65


def night_limits(rejection: Rejection, n: int) -> Rejection:
    """Return the settings for a night of ``n`` subs.

    The median of few subs is noisy and drawn towards a hit sample: by 0.3 of the noise for one of
    five. By the limit for many subs, a night would keep cosmic rays that one pass over all nights
    rejects, and the merge cannot tell them from noise. So the limit above is lower by a share of
    ``0.65 / n``, by which a ray of 5.5 times the noise is as likely found as by a limit of 4 among
    many subs, for 3 to 20 equal subs. The limit below stays, since rays only add light.

    Parameters
    ----------
    rejection : Rejection
        Settings for many subs.
    n : int
        Subs of the night.

    Returns
    -------
    Rejection
        The same but for ``high`` of the method ``noise``; other methods estimate the spread from
        the subs of the night.
    """
    if rejection.method != "noise" or n < 1:
        return rejection
    return replace(rejection, high=rejection.high * (1.0 - _SHARE / n))
