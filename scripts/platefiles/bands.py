"""How much is held in memory while an image is integrated band by band."""

BAND_BYTES = 100_000_000
"""Samples held at a time by the integration."""

BYTES_A_SAMPLE = 12
"""Value and variance as float32, flags, their grown copy and slack."""

LEAST_ROWS = 8


def band_height(subs: int, nx: int) -> int:
    """Return the rows of a band for so many subs of a grid ``nx`` wide."""
    return max(LEAST_ROWS, BAND_BYTES // (subs * nx * BYTES_A_SAMPLE))


def memory_mb(subs: int, nx: int, ny: int, masters: int) -> int:
    """Return the memory that integrating takes, in MB.

    Parameters
    ----------
    subs : int
        Subs of the channel.
    nx, ny : int
        Size of a frame.
    masters : int
        Sets of masters that are held, each of five planes.
    """
    band = subs * nx * BYTES_A_SAMPLE * min(band_height(subs, nx), ny)
    planes = nx * ny * 4 * (5 * masters + 8)
    return 300 + int((1.5 * band + planes) / 1e6)
