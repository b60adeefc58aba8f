"""How much is held in memory while an image is integrated band by band."""

BAND_BYTES = 240_000_000
"""Samples held at a time by all threads of the integration."""

BYTES_A_SAMPLE = 12
"""Value and variance as float32, flags, their grown copy and slack."""

LEAST_ROWS = 8


def band_height(subs: int, nx: int, threads: int = 1) -> int:
    """Return the rows of a band for so many subs of a grid ``nx`` wide."""
    return max(LEAST_ROWS, BAND_BYTES // (threads * subs * nx * BYTES_A_SAMPLE))


def memory_mb(subs: int, nx: int, ny: int, threads: int = 1) -> int:
    """Return the memory of its own that integrating takes, in MB.

    Raw frames, masters and the product are mapped files and do not count: the system takes their
    pages back when memory is short.

    Parameters
    ----------
    subs : int
        Subs of the channel.
    nx, ny : int
        Size of a frame.
    threads : int
        Bands that are worked on at a time.
    """
    height = min(band_height(subs, nx, threads), ny)
    band = threads * nx * (height * subs * BYTES_A_SAMPLE + 2 * (height + 64) * 10)
    return 350 + int(1.2 * band / 1e6)
